"""One table of the log on its way, and where each of its rows went."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake.bleed_log import FILE, FILE_ROW
from analysis.intake.deduplicate import ID_KEYS, ROW_INDEX, Deduplicated
from analysis.intake.readers.raw_table import ROW
from analysis.intake.validate import Validated, validate
from schemas import empty, validate_table
from schemas.outputs import ACTIONS, Intake


@dataclass(frozen=True)
class LoadedTable:
    """One table of the log on its way: settled, judged, and its accepted rows as they will stand."""

    deduplicated: Deduplicated
    validated: Validated
    accepted: pl.DataFrame


def load_table(deduplicated: Deduplicated, day: dt.date | None) -> LoadedTable:
    """A settled table judged by the models as of a day."""
    validated = validate(deduplicated, day)
    files = {place: part.raw.file for place, part in enumerate(deduplicated.combined.parts)}
    file_name = pl.col(ROW_INDEX).replace_strict(files, return_dtype=pl.String).alias(FILE)
    accepted = validated.accepted.with_columns(file_name, pl.col(ROW).alias(FILE_ROW)).drop(ROW_INDEX, ROW)
    keys = ID_KEYS[deduplicated.combined.table] or ("technician", "coached_on", "step")
    if len(keys) == 1 and accepted.get_column(keys[0]).is_sorted():
        return LoadedTable(deduplicated, validated, accepted.with_columns(pl.col(keys[0]).set_sorted()))
    return LoadedTable(deduplicated, validated, accepted.sort(keys))


def row_accounts(tables: dict[str, LoadedTable], set_aside: pl.DataFrame) -> DataFrame[Intake]:
    """Rows of each file and table; that they add up is checked here, at the end of every run."""
    rows = []
    reasons = set_aside.group_by("table", "file", "action").agg(rows=pl.col("row").n_unique(), reasons=pl.len())
    totals = {(table, file, action): counts for table, file, action, *counts in reasons.iter_rows()}
    for table, one in tables.items():
        accepted = dict(one.accepted.group_by(FILE).len().iter_rows())
        for part in one.deduplicated.combined.parts:
            file = part.raw.file
            of_action = {action: totals.get((table, file, action), [0, 0]) for action in ACTIONS}
            rows.append(
                {
                    "file": file,
                    "table": table,
                    "rows_read": part.raw.rows_read,
                    "accepted": accepted.get(file, 0),
                    "set_aside": of_action["row_set_aside"][0],
                    "duplicates": of_action["duplicate"][0],
                    "unlinked": of_action["unlinked"][0],
                    "values_blanked": of_action["value_blanked"][1],
                }
            )
    accounts = pl.DataFrame(rows, schema=empty(Intake).schema)
    wrong = accounts.filter(pl.col("rows_read") != pl.col("accepted") + pl.col("set_aside") + pl.col("duplicates"))
    if not wrong.is_empty():
        raise RuntimeError(f"rows do not add up: {wrong.row(0, named=True)}")
    return validate_table(Intake, accounts.sort("file", "table"))
