"""From exports to a log: read, map, settle, judge, link, and count every row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import polars as pl

from analysis.intake.as_of import as_of_date
from analysis.intake.bleed_log import FILE, FILE_ROW, Log, OwnField, RejectedRows, Source
from analysis.intake.convert.cleaned_text import as_text
from analysis.intake.deduplicate import ROW_INDEX, Deduplicated, combine_files, deduplicated
from analysis.intake.link import links
from analysis.intake.load_table import LoadedTable, load_table, row_accounts
from analysis.intake.mapping.mapping import Mapping, read_map
from analysis.intake.match_tables import match_tables
from analysis.intake.passes import fill_from_passes
from analysis.intake.readers.raw_table import ROW, RawTables
from analysis.intake.readers.sources import raw_tables
from analysis.intake.refusals import no_sessions, none_accepted
from analysis.intake.rejected_rows import rejected_rows, with_reasons
from analysis.intake.rejections import rejections, set_aside_table, unlinked_returns
from analysis.intake.similar_names import similar_names
from analysis.intake.validate import FIRST_DAY, MOMENTS
from schemas import LOG_TABLES, validate_table


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
    UserError
        An export cannot be read or has no sessions, a required column is missing, a map does not fit, dates read either
        way, or no bleed is accepted.
    """
    mapping = read_map(map_path) if map_path is not None else None
    raw = raw_tables(exports, [section.hint() for section in mapping.sections] if mapping else [])
    return log_from(raw, mapping, as_of)


def log_from(raw: RawTables, mapping: Mapping | None, as_of: dt.date | None) -> Log:
    """The same from tables that were read already."""
    parts, warnings = match_tables(raw, mapping)
    if "sessions" not in parts:
        raise no_sessions(raw, mapping)
    tables = {name: deduplicated(combine_files(name, tuple(own))) for name, own in parts.items()}
    days = _days(tables)
    if as_of is None and days.is_empty():
        raise none_accepted(load_table(tables["sessions"], None))
    day = as_of_date(days, as_of)
    done = {name: load_table(one, day) for name, one in tables.items()}
    if done["sessions"].accepted.is_empty():
        raise none_accepted(done["sessions"])
    return _log(raw, done, day, warnings)


def _days(tables: dict[str, Deduplicated]) -> pl.Series:
    days = [pl.Series("day", [], dtype=pl.Date)]
    for name, moment in MOMENTS.items():
        if name in tables and moment in tables[name].combined.frame.columns:
            days.append(
                tables[name].combined.frame.filter(tables[name].remaining).get_column(moment).dt.date().alias("day")
            )
    all_days = pl.concat(days)
    return all_days.filter(all_days >= FIRST_DAY)


def _log(raw: RawTables, tables: dict[str, LoadedTable], day: dt.date, warnings: list[str]) -> Log:
    frames = {name: tables[name].accepted if name in tables else _empty_table(name) for name in LOG_TABLES}
    filled = fill_from_passes(frames["sessions"], frames["passes"])
    frames["sessions"] = filled.sessions
    log_tables = {name: validate_table(LOG_TABLES[name], frame) for name, frame in frames.items()}
    sessions = log_tables["sessions"]
    linked_returns = links(sessions, log_tables["comebacks"], _set_aside_ids(tables["sessions"]))  # type: ignore[arg-type]
    set_aside = set_aside_table(
        [
            *(rejections(one.deduplicated, one.validated) for one in tables.values()),
            unlinked_returns(frames["comebacks"], linked_returns),
        ]
    )
    has_comebacks = "comebacks" in tables
    if not has_comebacks:
        warnings.append("no table of returns was given: only returns told by job_reason are known")
    warnings += similar_names(frames)
    return Log(
        **log_tables,  # type: ignore[arg-type]
        links=linked_returns,
        intake=row_accounts(tables, set_aside),
        set_aside=set_aside,
        as_of=day,
        has_comebacks_table=has_comebacks,
        own_fields=_own_fields(tables),
        sources=tuple(Source(raw.file, raw.sha256, raw.rows_read) for raw in raw.tables),
        rejected=tuple(with_reasons(one, set_aside) for one in _rejected(tables)),
        warnings=(*warnings, *filled.warnings),
        names=_names(tables),
    )


def _empty_table(table: str) -> pl.DataFrame:
    columns = {name: column.dtype.type for name, column in LOG_TABLES[table].to_schema().columns.items()}
    moment = MOMENTS.get(table)
    extra_fields = {f"{moment}_has_time": pl.Boolean} if moment else {}
    return pl.DataFrame(schema=columns | extra_fields | {FILE: pl.String, FILE_ROW: pl.Int64})


def _set_aside_ids(tables: LoadedTable) -> pl.Series:
    """Ids of bleeds no row of which was accepted."""
    frame = tables.deduplicated.combined.frame.select(ROW_INDEX, ROW, "session_id", apart=tables.deduplicated.conflicts)
    bad = frame.join(tables.validated.row_reasons.select(ROW_INDEX, ROW), on=[ROW_INDEX, ROW], how="semi")
    ids = pl.concat([bad, frame.filter("apart")]).get_column("session_id").drop_nulls().unique()
    accepted = tables.accepted.get_column("session_id")
    return ids.filter(~ids.is_in(accepted.filter(accepted.is_in(ids.implode())).implode()))


def _own_fields(tables: dict[str, LoadedTable]) -> tuple[OwnField, ...]:
    fields = {
        (name, column.name): OwnField(name, f"own.{column.name}", column.type, column.unit, column.role)
        for name, one in tables.items()
        for part in one.deduplicated.combined.parts
        for column in part.table_map.own
    }
    return tuple(fields.values())


def _rejected(tables: dict[str, LoadedTable]) -> tuple[RejectedRows, ...]:
    rejected = []
    for table, one in tables.items():
        conflicts = one.deduplicated.combined.frame.filter(one.deduplicated.conflicts).select(ROW_INDEX, ROW)
        bad = pl.concat([conflicts, one.validated.row_reasons.select(ROW_INDEX, ROW)]).unique()
        of_place = {key[0]: rows.get_column(ROW) for key, rows in bad.group_by(ROW_INDEX)}
        nothing = pl.Series(ROW, [], dtype=pl.Int64)
        for place, part in enumerate(one.deduplicated.combined.parts):
            rejected += rejected_rows(part.raw, table, of_place.get(place, nothing), part.heading_of)
    return tuple(rejected)


def _names(tables: dict[str, LoadedTable]) -> tuple[str, ...]:
    """Technicians of every row, rejected or not, as the map has them and as the files write them."""
    names: set[str] = set()
    for one in tables.values():
        for part in one.deduplicated.combined.parts:
            if "technician" in part.converted.frame.columns:
                read = part.converted.frame.get_column("technician")
                recorded = (
                    as_text(part.converted.cells.get_column("technician")).filter(read.is_not_null()).str.strip_chars()
                )
                names |= {str(name) for cells in (read, recorded) for name in cells.drop_nulls().unique() if name}
    return tuple(sorted(names))
