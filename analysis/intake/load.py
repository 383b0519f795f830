"""Read exports into a log: read, map, convert, deduplicate, validate, link, and account for every row."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.days import Day, parse_day
from analysis.errors import UserError
from analysis.intake.arguments import Exports, MapSource, read_or_propose_map, read_raw_tables
from analysis.intake.bleed_log import (
    FILE,
    FILE_ROW,
    PEOPLE_COLUMNS,
    Log,
    OwnField,
    RejectedRows,
    Source,
    as_of_date,
    as_of_warnings,
)
from analysis.intake.convert.cleaned_text import as_text
from analysis.intake.deduplicate import (
    ROW_INDEX,
    SORTED_BY,
    DeduplicatedTable,
    MappedTable,
    combine_files,
    deduplicate,
    similar_name_warnings,
)
from analysis.intake.link import fill_from_passes, link_returns, match_actions
from analysis.intake.mapping.table_map import FIELDS, ExportMap
from analysis.intake.match_tables import fill_bleed_ids, match_tables, no_bleeds_table_error
from analysis.intake.readers.raw_table import ROW, RawTables
from analysis.intake.rejections import rejected_rows, rejection_table, rejections, unmatched_returns, with_reasons
from analysis.intake.validate import DATED, FIRST_DAY, MOMENTS, ValidationResult, validate
from schemas import LOG_TABLES, empty, validate_table
from schemas.outputs import ACTIONS, Intake

_CURRENCIES = frozenset(
    ["€", "$", "£", "¥", "EUR", "USD", "GBP", "CHF", "SEK", "NOK", "DKK", "PLN", "CZK", "AUD", "CAD", "NZD", "JPY"]
)
MAX_WITHOUT_REASON = 0.1
"""Share of returns without a reason beyond which it is pointed out (common practice, no source)."""
NO_RETURNS = "No returns were read; only returns given as the reason for a later job are counted"
"""The warning about exports without a table of returns."""


@dataclass(frozen=True)
class LoadedTable:
    """One table of the log, deduplicated and validated; `validated.accepted` are its rows as they are in the log."""

    deduplicated: DeduplicatedTable
    validated: ValidationResult

    @property
    def accepted(self) -> pl.DataFrame:
        """The accepted rows, sorted by their key."""
        return self.validated.accepted

    @property
    def parts(self) -> tuple[MappedTable, ...]:
        """The files of the table."""
        return self.deduplicated.combined.parts


def read_log(
    exports: Exports,
    map_path: MapSource | None = None,
    as_of: Day | None = None,
    today: dt.date | None = None,
    groups: Sequence[str] = (),
) -> Log:
    """Read exports into a validated log; every row read is accepted, rejected, or a duplicate of an earlier one.

    Worker processes must be started with `spawn`: the threads of polars do not survive a fork.

    Parameters
    ----------
    exports
        A file, folder, `book.xlsx#sheet`, `shop.sqlite#table`, database address or data frame, or a list of these; or a
        dict of frames by the names that messages should use.
    map_path
        A map for other headings: a file, or what `propose_map` returned. Without one, the field names of the log are
        recognised.
    as_of
        The last day the exports cover, a date or `"2026-06-30"`; by default the newest date in them.
    today
        If the last day is later than this, a warning is given. None: no check.
    groups
        Headings of other columns in the table of bleeds whose values are to be compared like lots and kits.

    Raises
    ------
    UserError
        An export cannot be read or there is no table of bleeds, a required column is missing, a map does not fit, it is
        unclear whether day or month comes first in a date, or no bleed is accepted.
    """
    mapping, day = read_or_propose_map(map_path), parse_day(as_of, "as_of")
    hints = [section.hint() for section in mapping.sections] if mapping else []
    return log_from(read_raw_tables(exports, hints), mapping, day, today, groups)


def log_from(
    raw: RawTables,
    mapping: ExportMap | None,
    as_of: dt.date | None,
    today: dt.date | None = None,
    groups: Sequence[str] = (),
) -> Log:
    """Make a log of tables that have been read; see `read_log`."""
    parts, warnings = match_tables(raw, mapping, groups)
    if "sessions" not in parts:
        raise no_bleeds_table_error(raw, mapping)
    tables = {"sessions": deduplicate(combine_files("sessions", tuple(parts.pop("sessions"))))}
    for name, files in parts.items():
        linked = fill_bleed_ids(files, tables["sessions"]) if name == "comebacks" else files
        tables[name] = deduplicate(combine_files(name, tuple(linked)))
    days = _days_of_events(tables)
    if as_of is None and days.is_empty():
        raise _all_rejected_error(validate_and_sort(tables["sessions"], None))
    day = as_of_date(days, as_of)
    loaded = {name: validate_and_sort(one, day) for name, one in tables.items()}
    if loaded["sessions"].accepted.is_empty():
        raise _all_rejected_error(loaded["sessions"])
    return _assemble_log(raw, loaded, day, [*as_of_warnings(days, as_of, today), *warnings])


def validate_and_sort(deduplicated: DeduplicatedTable, day: dt.date | None) -> LoadedTable:
    """Validate a table as of a day, and sort its accepted rows by their key."""
    validated = validate(deduplicated, day)
    files = {place: part.raw.file for place, part in enumerate(deduplicated.combined.parts)}
    file_name = pl.col(ROW_INDEX).replace_strict(files, return_dtype=pl.String).alias(FILE)
    accepted = validated.accepted.with_columns(file_name, pl.col(ROW).alias(FILE_ROW)).drop(ROW_INDEX, ROW)
    table = deduplicated.combined.table
    keys = SORTED_BY[table]
    order = accepted.select(pl.arg_sort_by(keys, maintain_order=True)).to_series()  # sort() takes twice the table
    return LoadedTable(
        deduplicated, replace(validated, accepted=accepted[order].with_columns(pl.col(keys[0]).set_sorted()))
    )


def _days_of_events(tables: dict[str, DeduplicatedTable]) -> pl.Series:
    """The day of every bleed, return and action since 1990 that is neither a duplicate nor in conflict."""
    days = [pl.Series("day", [], dtype=pl.Date)]
    for name, moment in DATED.items():
        if name in tables and moment in tables[name].combined.frame.columns:
            rows = tables[name].combined.frame.filter(tables[name].remaining)
            days.append(rows.get_column(moment).dt.date().alias("day"))
    all_days = pl.concat(days)
    return all_days.filter(all_days >= FIRST_DAY)


def _assemble_log(raw: RawTables, tables: dict[str, LoadedTable], day: dt.date, warnings: list[str]) -> Log:
    frames = {name: tables[name].accepted if name in tables else _empty_table(name) for name in LOG_TABLES}
    filled = fill_from_passes(frames["sessions"], frames["passes"])
    frames["sessions"] = filled.sessions
    matched = match_actions(frames["sessions"], frames["actions"])
    frames["actions"] = matched.actions
    log_tables = {name: validate_table(LOG_TABLES[name], frame) for name, frame in frames.items()}
    sessions, comebacks = log_tables["sessions"], log_tables["comebacks"]
    links = link_returns(sessions, comebacks, _rejected_ids(tables["sessions"]))  # type: ignore[arg-type]
    reasons = [rejections(one.deduplicated, one.validated) for one in tables.values()]
    set_aside = rejection_table([*reasons, unmatched_returns(frames["comebacks"], links)])
    no_returns = [] if "comebacks" in tables else [NO_RETURNS]
    return Log(
        **log_tables,  # type: ignore[arg-type]
        links=links,
        intake=_row_accounts(tables, set_aside),
        set_aside=set_aside,
        as_of=day,
        has_comebacks_table="comebacks" in tables,
        own_fields=_list_own_fields(tables),
        sources=tuple(Source(raw.file, raw.sha256, raw.rows_read) for raw in raw.tables),
        rejected=tuple(with_reasons(one, set_aside) for one in _list_rejected_rows(tables)),
        warnings=(
            *warnings,
            *no_returns,
            *_missing_reason_warnings(frames["comebacks"]),
            *similar_name_warnings(frames),
            *filled.warnings,
            *matched.warnings,
        ),
        names=_people_names(tables),
        currency=_currency_from_headings(tables),
    )


def _missing_reason_warnings(comebacks: pl.DataFrame) -> list[str]:
    """Warn of returns without a complaint and a finding, which decide what counts as a comeback."""
    total = comebacks.height
    without = comebacks.filter(pl.col("complaint").is_null() & pl.col("finding").is_null()).height
    if total and without == total:
        return ["no return has a complaint or a finding that was recognised, so every return counts as a comeback"]
    if without > MAX_WITHOUT_REASON * total:
        return [f"{without:,} of {total:,} returns have no complaint or finding and do not count as comebacks"]
    return []


def _empty_table(table: str) -> pl.DataFrame:
    columns = {name: column.dtype.type for name, column in LOG_TABLES[table].to_schema().columns.items()}
    moment = MOMENTS.get(table)
    extra_fields = {f"{moment}_has_time": pl.Boolean} if moment else {}
    return pl.DataFrame(schema=columns | extra_fields | {FILE: pl.String, FILE_ROW: pl.Int64})


def _row_accounts(tables: dict[str, LoadedTable], set_aside: pl.DataFrame) -> DataFrame[Intake]:
    """Count the rows of each file and table, and check that they add up."""
    counts = set_aside.group_by("table", "file", "action").agg(rows=pl.col("row").n_unique(), reasons=pl.len())
    totals = {(table, file, action): numbers for table, file, action, *numbers in counts.iter_rows()}
    rows = []
    for table, one in tables.items():
        accepted = dict(one.accepted.group_by(FILE).len().iter_rows())
        for part in one.parts:
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
    return validate_table(Intake, accounts.sort(SORTED_BY["intake"]))


def _rejected_positions(table: LoadedTable) -> pl.DataFrame:
    """File (ROW_INDEX) and row (ROW) of every rejected row that could be read."""
    conflicts = table.deduplicated.combined.frame.filter(table.deduplicated.conflicts).select(ROW_INDEX, ROW)
    return pl.concat([conflicts, table.validated.row_reasons.select(ROW_INDEX, ROW)]).unique()


def _rejected_ids(bleeds: LoadedTable) -> pl.Series:
    """IDs of bleeds of which every row was rejected."""
    frame = bleeds.deduplicated.combined.frame.select(ROW_INDEX, ROW, "session_id")
    rejected = frame.join(_rejected_positions(bleeds), on=[ROW_INDEX, ROW], how="semi")
    ids = rejected.get_column("session_id").drop_nulls().unique()
    return ids.filter(~ids.is_in(bleeds.accepted.get_column("session_id").implode()))


def _list_rejected_rows(tables: dict[str, LoadedTable]) -> list[RejectedRows]:
    rejected = []
    for table, one in tables.items():
        rows_of = {key[0]: rows.get_column(ROW) for key, rows in _rejected_positions(one).group_by(ROW_INDEX)}
        none = pl.Series(ROW, [], dtype=pl.Int64)
        for place, part in enumerate(one.parts):
            rejected += rejected_rows(part.raw, table, rows_of.get(place, none), part.heading_of)
    return rejected


def _list_own_fields(tables: dict[str, LoadedTable]) -> tuple[OwnField, ...]:
    fields = {
        (table, column.name): OwnField(table, f"own.{column.name}", column.type, column.unit, column.role, column.group)
        for table, one in tables.items()
        for part in one.parts
        for column in part.table_map.own
    }
    return tuple(fields.values())


def _people_names(tables: dict[str, LoadedTable]) -> tuple[str, ...]:
    """People of every row, rejected ones too, as the map spells them and as the files do."""
    converted = [part.converted for one in tables.values() for part in one.parts]
    names: set[str] = set()
    for column in PEOPLE_COLUMNS:
        having = [one for one in converted if column in one.frame.columns]
        if having:
            mapped = pl.concat([one.frame.get_column(column) for one in having])
            in_file = pl.concat([as_text(one.cells.get_column(column)) for one in having])
            cell_texts = in_file.filter(mapped.is_not_null()).str.strip_chars()
            names |= {name for texts in (mapped, cell_texts) for name in texts.drop_nulls().unique() if name}
    return tuple(sorted(names))


def _currency_from_headings(tables: dict[str, LoadedTable]) -> str:
    """The one currency named in the headings of sums of money; "" if none or several are."""
    headings = [
        column.heading
        for table, one in tables.items()
        for part in one.parts
        for column in part.table_map.columns
        if FIELDS[table][column.field].unit == "currency"
    ]
    words = {word.upper() for heading in headings for word in re.findall(r"[^\W\d_]+|[€$£¥]", heading)}
    currencies = sorted(words & _CURRENCIES)
    return currencies[0] if len(currencies) == 1 else ""


def _all_rejected_error(table: LoadedTable) -> UserError:
    """The error if every bleed was rejected: the three most common reasons."""
    reasons = rejections(table.deduplicated, table.validated).filter(pl.col("action") != "value_blanked")
    counts = reasons.group_by("message").agg(n=pl.col("row").n_unique()).sort("n", "message", descending=[True, False])
    why = "; ".join(f"{message} ({n} row{'s' * (n != 1)})" for message, n in counts.head(3).iter_rows())
    return UserError(
        table.parts[0].raw.file,
        f"no bleed was accepted. Most common reasons: {why or 'the table has no rows'}",
        "bleeds with bike, brake, technician and start",
        "correct the export or its map",
    )
