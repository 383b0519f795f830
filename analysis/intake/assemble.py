"""From exports to a log: read, map, settle, judge, link, and count every row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import polars as pl

from analysis.intake.account import PLACE, Settled, gathered, settled
from analysis.intake.as_of import as_of_date
from analysis.intake.link import links
from analysis.intake.log import FILE, FILE_ROW, Log, OwnField, RejectedRows, Source
from analysis.intake.mapping import Mapping, read_map
from analysis.intake.near_names import near_names
from analysis.intake.one_table import OneTable, accounts, judged_table
from analysis.intake.parts import table_parts
from analysis.intake.passes import filled_from_passes
from analysis.intake.raw import ROW
from analysis.intake.refusals import no_sessions, none_accepted
from analysis.intake.rejected import rejected_rows, told_beside
from analysis.intake.sources import RawTables, raw_tables
from analysis.intake.told import set_aside_of, set_aside_table, unlinked_of
from analysis.intake.validate import FIRST_DAY, MOMENTS
from analysis.intake.words import as_text
from schemas import LOG_TABLES, checked


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
    parts, warnings = table_parts(found, mapping)
    if "sessions" not in parts:
        raise no_sessions(found, mapping)
    tables = {name: settled(gathered(name, tuple(own))) for name, own in parts.items()}
    days = _days(tables)
    if as_of is None and days.is_empty():
        raise none_accepted(judged_table(tables["sessions"], None))
    day = as_of_date(days, as_of)
    done = {name: judged_table(one, day) for name, one in tables.items()}
    if done["sessions"].accepted.is_empty():
        raise none_accepted(done["sessions"])
    return _log(found, done, day, warnings)


def _days(tables: dict[str, Settled]) -> pl.Series:
    days = [pl.Series("day", [], dtype=pl.Date)]
    for name, moment in MOMENTS.items():
        if name in tables and moment in tables[name].gathered.frame.columns:
            days.append(tables[name].gathered.frame.filter(tables[name].left).get_column(moment).dt.date().alias("day"))
    found = pl.concat(days)
    return found.filter(found >= FIRST_DAY)


def _log(found: RawTables, done: dict[str, OneTable], day: dt.date, warnings: list[str]) -> Log:
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
    warnings += near_names(frames)
    return Log(
        **log_tables,  # type: ignore[arg-type]
        links=linked,
        intake=accounts(done, told),
        set_aside=told,
        as_of=day,
        comebacks_given=given,
        own_fields=_own_fields(done),
        sources=tuple(Source(raw.file, raw.sha256, raw.rows_read) for raw in found.tables),
        rejected=tuple(told_beside(one, told) for one in _rejected(done)),
        warnings=(*warnings, *filled.warnings),
        names=_names(done),
    )


def _nothing(table: str) -> pl.DataFrame:
    columns = {name: column.dtype.type for name, column in LOG_TABLES[table].to_schema().columns.items()}
    moment = MOMENTS.get(table)
    beside = {f"{moment}_has_time": pl.Boolean} if moment else {}
    return pl.DataFrame(schema=columns | beside | {FILE: pl.String, FILE_ROW: pl.Int64})


def _set_aside_ids(done: OneTable) -> pl.Series:
    """Ids of bleeds no row of which was accepted."""
    frame = done.settled.gathered.frame.select(PLACE, ROW, "session_id", apart=done.settled.conflicts)
    bad = frame.join(done.judged.row_reasons.select(PLACE, ROW), on=[PLACE, ROW], how="semi")
    ids = pl.concat([bad, frame.filter("apart")]).get_column("session_id").drop_nulls().unique()
    accepted = done.accepted.get_column("session_id")
    return ids.filter(~ids.is_in(accepted.filter(accepted.is_in(ids.implode())).implode()))


def _own_fields(done: dict[str, OneTable]) -> tuple[OwnField, ...]:
    found = {
        (name, column.name): OwnField(name, f"own.{column.name}", column.type, column.unit, column.role)
        for name, one in done.items()
        for part in one.settled.gathered.parts
        for column in part.table_map.own
    }
    return tuple(found.values())


def _rejected(done: dict[str, OneTable]) -> tuple[RejectedRows, ...]:
    found = []
    for table, one in done.items():
        conflicts = one.settled.gathered.frame.filter(one.settled.conflicts).select(PLACE, ROW)
        bad = pl.concat([conflicts, one.judged.row_reasons.select(PLACE, ROW)]).unique()
        of_place = {key[0]: rows.get_column(ROW) for key, rows in bad.group_by(PLACE)}
        nothing = pl.Series(ROW, [], dtype=pl.Int64)
        for place, part in enumerate(one.settled.gathered.parts):
            found += rejected_rows(part.raw, table, of_place.get(place, nothing), part.heading_of)
    return tuple(found)


def _names(done: dict[str, OneTable]) -> tuple[str, ...]:
    """Technicians of every row, rejected or not, as the map has them and as the files write them."""
    names: set[str] = set()
    for one in done.values():
        for part in one.settled.gathered.parts:
            if "technician" in part.read.frame.columns:
                read = part.read.frame.get_column("technician")
                written = as_text(part.read.cells.get_column("technician")).filter(read.is_not_null()).str.strip_chars()
                names |= {str(name) for cells in (read, written) for name in cells.drop_nulls().unique() if name}
    return tuple(sorted(names))
