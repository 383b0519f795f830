"""From exports to a log: read, map, settle, judge, link, and count every row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import CannotRun
from analysis.intake.account import ID_KEYS, PLACE, Part, Settled, gathered, settled
from analysis.intake.as_of import as_of_date
from analysis.intake.convert import converted, undecided_dates
from analysis.intake.fit import fitting
from analysis.intake.link import links
from analysis.intake.log import FILE, FILE_ROW, Log, OwnField, RejectedRows, Source
from analysis.intake.mapping import Mapping, read_map
from analysis.intake.passes import filled_from_passes
from analysis.intake.raw import ROW, RawTable
from analysis.intake.rejected import rejected_rows
from analysis.intake.sources import RawTables, raw_tables
from analysis.intake.told import set_aside_of, set_aside_table, unlinked_of
from analysis.intake.validate import FIRST_DAY, MOMENTS, Judged, judged
from schemas import LOG_TABLES, checked, empty
from schemas.outputs import Intake


@dataclass(frozen=True)
class _Judged:
    """One table of the log on its way: settled, judged, and its accepted rows as they will stand."""

    settled: Settled
    judged: Judged
    accepted: pl.DataFrame


def read_log(exports: Sequence[str], map_path: str | None = None, as_of: dt.date | None = None) -> Log:
    """Read exports into one validated log; every row read is accepted, set aside, or an exact copy of another.

    Parameters
    ----------
    exports
        Files, folders, `book.xlsx#sheet`, `shop.sqlite#table`, database addresses.
    map_path
        A map for foreign headings; without one the canonical names are recognised.
    as_of
        The day up to which the exports tell everything; the newest date in them unless given.

    Raises
    ------
    CannotRun
        An export cannot be read or has no sessions, a required column is missing, a map does not fit, dates read either
        way, or no bleed is accepted.
    """
    mapping = read_map(map_path) if map_path is not None else None
    found = raw_tables(exports, [section.hint() for section in mapping.sections] if mapping else [])
    return log_from(found, mapping, as_of)


def log_from(found: RawTables, mapping: Mapping | None, as_of: dt.date | None) -> Log:
    """The same from tables that were read already."""
    parts, warnings = _parts(found, mapping)
    if "sessions" not in parts:
        raise _no_sessions(found, mapping)
    tables = {name: settled(gathered(name, tuple(own))) for name, own in parts.items()}
    days = _days(tables)
    if as_of is None and days.is_empty():
        raise _none_accepted(_judge(tables["sessions"], None))
    day = as_of_date(days, as_of)
    done = {name: _judge(one, day) for name, one in tables.items()}
    if done["sessions"].accepted.is_empty():
        raise _none_accepted(done["sessions"])
    return _log(found, done, day, warnings)


def _parts(found: RawTables, mapping: Mapping | None) -> tuple[dict[str, list[Part]], list[str]]:
    parts: dict[str, list[Part]] = {}
    warnings = [f"{one.file}: not read, {one.why}" for one in found.passed_over] + list(found.notes)
    used = set()
    for raw in found.tables:
        fit = fitting(raw, mapping)
        if fit.table_map is None:
            lacks = f", it looks like {fit.resembles} but lacks {', '.join(fit.lacks)}" if fit.resembles else ""
            warnings.append(f"{raw.file}: no table of the log{lacks}; passed over")
            continue
        for column in undecided_dates(raw, fit.table_map):
            raise CannotRun(
                f"{raw.file}, column {column.heading!r}",
                f"{column.example!r} reads with the day or with the month first, and no cell decides it",
                'date_order = "dmy" or "mdy" in the map',
                "make a map with rebleed map, set date_order, and give it with --map",
            )
        used.add(fit.table_map.table)
        read = converted(raw, fit.table_map)
        if read.unmapped:
            warnings.append(f"{raw.file}: passed over the columns {', '.join(map(repr, read.unmapped[:12]))}")
        parts.setdefault(fit.table_map.table, []).append(Part(raw, fit.table_map, read))
    if mapping is not None:
        unused = [section.table for section in mapping.sections if section.table not in used]
        warnings += [f"{mapping.file}: the section {name} fits none of the files" for name in unused]
    return parts, warnings


def _days(tables: dict[str, Settled]) -> pl.Series:
    days = [pl.Series("day", [], dtype=pl.Date)]
    for name, moment in MOMENTS.items():
        if name in tables and moment in tables[name].gathered.frame.columns:
            days.append(tables[name].gathered.frame.filter(tables[name].left).get_column(moment).dt.date().alias("day"))
    found = pl.concat(days)
    return found.filter(found >= FIRST_DAY)


def _judge(one: Settled, day: dt.date | None) -> _Judged:
    told = judged(one, day)
    files = {place: part.raw.file for place, part in enumerate(one.gathered.parts)}
    named = pl.col(PLACE).replace_strict(files, return_dtype=pl.String).alias(FILE)
    accepted = told.accepted.with_columns(named, pl.col(ROW).alias(FILE_ROW)).drop(PLACE, ROW)
    keys = ID_KEYS[one.gathered.table] or ("technician", "coached_on", "step")
    return _Judged(one, told, accepted.sort(keys))


def _log(found: RawTables, done: dict[str, _Judged], day: dt.date, warnings: list[str]) -> Log:
    frames = {name: done[name].accepted if name in done else _nothing(name) for name in LOG_TABLES}
    filled = filled_from_passes(frames["sessions"], frames["passes"])
    frames["sessions"] = filled.sessions
    log_tables = {name: checked(LOG_TABLES[name], frame) for name, frame in frames.items()}
    sessions = log_tables["sessions"]
    linked = links(sessions, log_tables["comebacks"], _set_aside_ids(done["sessions"]))  # type: ignore[arg-type]
    told = set_aside_table(
        [*(set_aside_of(one.settled, one.judged) for one in done.values()), unlinked_of(frames["comebacks"], linked)]
    )
    given = "comebacks" in done
    if not given:
        warnings.append("no table of returns was given: only returns told by job_reason are known")
    return Log(
        **log_tables,  # type: ignore[arg-type]
        links=linked,
        intake=_accounts(done, told),
        set_aside=told,
        as_of=day,
        comebacks_given=given,
        own_fields=_own_fields(done),
        sources=tuple(Source(raw.file, raw.sha256, raw.rows_read) for raw in found.tables),
        rejected=_rejected(done),
        warnings=(*warnings, *filled.warnings),
    )


def _nothing(table: str) -> pl.DataFrame:
    columns = {name: column.dtype.type for name, column in LOG_TABLES[table].to_schema().columns.items()}
    moment = MOMENTS.get(table)
    beside = {f"{moment}_has_time": pl.Boolean} if moment else {}
    return pl.DataFrame(schema=columns | beside | {FILE: pl.String, FILE_ROW: pl.Int64})


def _set_aside_ids(done: _Judged) -> pl.Series:
    """Ids of bleeds no row of which was accepted."""
    ids = done.settled.gathered.frame.get_column("session_id").drop_nulls().unique()
    return ids.filter(~ids.is_in(done.accepted.get_column("session_id").implode()))


def _accounts(done: dict[str, _Judged], told: pl.DataFrame) -> DataFrame[Intake]:
    """Rows of each file and table; that they add up is checked here, at the end of every run."""
    rows = []
    for table, one in done.items():
        own = told.filter(pl.col("table") == table)
        for part in one.settled.gathered.parts:
            mine = own.filter(pl.col("file") == part.raw.file)
            rows.append(
                {
                    "file": part.raw.file,
                    "table": table,
                    "rows_read": part.raw.rows_read,
                    "accepted": one.accepted.filter(pl.col(FILE) == part.raw.file).height,
                    "set_aside": _rows(mine, "row_set_aside"),
                    "duplicates": _rows(mine, "duplicate"),
                    "unlinked": _rows(mine, "unlinked"),
                    "values_blanked": mine.filter(pl.col("action") == "value_blanked").height,
                }
            )
    accounts = pl.DataFrame(rows, schema=empty(Intake).schema)
    wrong = accounts.filter(pl.col("rows_read") != pl.col("accepted") + pl.col("set_aside") + pl.col("duplicates"))
    if not wrong.is_empty():
        raise RuntimeError(f"rows do not add up: {wrong.row(0, named=True)}")
    return checked(Intake, accounts.sort("file", "table"))


def _rows(mine: pl.DataFrame, action: str) -> int:
    return mine.filter(pl.col("action") == action).n_unique("row")


def _own_fields(done: dict[str, _Judged]) -> tuple[OwnField, ...]:
    found = {
        (name, column.name): OwnField(name, f"own.{column.name}", column.type, column.unit, column.role)
        for name, one in done.items()
        for part in one.settled.gathered.parts
        for column in part.table_map.own
    }
    return tuple(found.values())


def _rejected(done: dict[str, _Judged]) -> tuple[RejectedRows, ...]:
    found = []
    for table, one in done.items():
        for place, part in enumerate(one.settled.gathered.parts):
            conflict = one.settled.gathered.frame.filter(one.settled.conflicts, pl.col(PLACE) == place)
            bad = one.judged.row_reasons.filter(pl.col(PLACE) == place)
            rows = pl.concat([conflict.get_column(ROW), bad.get_column(ROW)]).unique()
            found += rejected_rows(part.raw, table, rows)
    return tuple(found)


def _no_sessions(found: RawTables, mapping: Mapping | None) -> CannotRun:
    told = []
    for raw in found.tables:
        fit = fitting(raw, mapping)
        if fit.resembles == "sessions" or (fit.resembles and len(found.tables) == 1):
            return CannotRun(
                raw.file,
                f"looks like {fit.resembles}, but the required column {', '.join(fit.lacks)} is missing",
                "a column for every required field (rebleed fields lists them)",
                "add the column, or make a map for foreign headings: rebleed map " + raw.file,
            )
        told.append(_seen(raw))
    what = "; ".join(told[:5]) or "no table at all"
    return CannotRun(
        "the exports",
        f"hold no sessions table. Found: {what}",
        "one table of bleeds: bike_id, brake, technician, started_at and what else was recorded",
        "for foreign headings make a map with rebleed map EXPORT, and give it with --map",
    )


def _seen(raw: RawTable) -> str:
    names = ", ".join(heading[:24] for heading in raw.headings[:5])
    return f"{raw.file} ({raw.rows_read} rows; {names} …)"


def _none_accepted(done: _Judged) -> CannotRun:
    told = set_aside_of(done.settled, done.judged).filter(pl.col("action") != "value_blanked")
    common = told.group_by("message").agg(n=pl.col("row").n_unique()).sort("n", "message", descending=[True, False])
    why = "; ".join(f"{message} ({n} rows)" for message, n in common.head(3).iter_rows()) or "the table has no rows"
    return CannotRun(
        done.settled.gathered.parts[0].raw.file,
        f"no bleed was accepted. The commonest reasons: {why}",
        "bleeds with bike, brake, technician and start",
        "mend the export or its map",
    )


__all__ = ["RawTable", "log_from", "read_log"]
