"""One table of the log on its way, and where each of its rows went."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake.account import ID_KEYS, PLACE, Settled
from analysis.intake.log import FILE, FILE_ROW
from analysis.intake.raw import ROW
from analysis.intake.validate import Judged, judged
from schemas import checked, empty
from schemas.outputs import ACTIONS, Intake


@dataclass(frozen=True)
class OneTable:
    """One table of the log on its way: settled, judged, and its accepted rows as they will stand."""

    settled: Settled
    judged: Judged
    accepted: pl.DataFrame


def judged_table(one: Settled, day: dt.date | None) -> OneTable:
    """A settled table judged by the models as of a day."""
    told = judged(one, day)
    files = {place: part.raw.file for place, part in enumerate(one.gathered.parts)}
    named = pl.col(PLACE).replace_strict(files, return_dtype=pl.String).alias(FILE)
    accepted = told.accepted.with_columns(named, pl.col(ROW).alias(FILE_ROW)).drop(PLACE, ROW)
    keys = ID_KEYS[one.gathered.table] or ("technician", "coached_on", "step")
    if len(keys) == 1 and accepted.get_column(keys[0]).is_sorted():
        return OneTable(one, told, accepted.with_columns(pl.col(keys[0]).set_sorted()))
    return OneTable(one, told, accepted.sort(keys))


def accounts(done: dict[str, OneTable], told: pl.DataFrame) -> DataFrame[Intake]:
    """Rows of each file and table; that they add up is checked here, at the end of every run."""
    rows = []
    reasons = told.group_by("table", "file", "action").agg(rows=pl.col("row").n_unique(), reasons=pl.len())
    counted = {(table, file, action): counts for table, file, action, *counts in reasons.iter_rows()}
    for table, one in done.items():
        accepted = dict(one.accepted.group_by(FILE).len().iter_rows())
        for part in one.settled.gathered.parts:
            file = part.raw.file
            of_action = {action: counted.get((table, file, action), [0, 0]) for action in ACTIONS}
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
    return checked(Intake, accounts.sort("file", "table"))
