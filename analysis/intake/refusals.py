"""Why no log can come of some exports, as a user can mend it."""

from __future__ import annotations

import polars as pl

from analysis.errors import UserError
from analysis.intake.load_table import LoadedTable
from analysis.intake.mapping.mapping import Mapping
from analysis.intake.mapping.match_table import match_table
from analysis.intake.readers.raw_table import RawTable, RawTables
from analysis.intake.rejections import rejections


def no_sessions(raw_tables: RawTables, mapping: Mapping | None) -> UserError:
    """No table of bleeds is among them: what was seen instead."""
    descriptions = []
    for raw in raw_tables.tables:
        fit = match_table(raw, mapping)
        if fit.resembles == "sessions" or (fit.resembles and len(raw_tables.tables) == 1):
            return UserError(
                raw.file,
                f"looks like {fit.resembles}, but the required column {', '.join(fit.lacks)} is missing",
                "a column for every required field (rebleed fields lists them)",
                "add the column, or make a map for foreign headings: rebleed map " + raw.file,
            )
        descriptions.append(_table_description(raw))
    tables_text = "; ".join(descriptions[:5]) or "no table at all"
    return UserError(
        "the exports",
        f"hold no sessions table. Found: {tables_text}",
        "one table of bleeds: bike_id, brake, technician, started_at and what else was recorded",
        "for foreign headings make a map with rebleed map EXPORT, and give it with --map",
    )


def none_accepted(table: LoadedTable) -> UserError:
    """Not one bleed was accepted: the three commonest reasons."""
    reasons = rejections(table.deduplicated, table.validated).filter(pl.col("action") != "value_blanked")
    common = reasons.group_by("message").agg(n=pl.col("row").n_unique()).sort("n", "message", descending=[True, False])
    why = "; ".join(f"{message} ({n} rows)" for message, n in common.head(3).iter_rows()) or "the table has no rows"
    return UserError(
        table.deduplicated.combined.parts[0].raw.file,
        f"no bleed was accepted. The commonest reasons: {why}",
        "bleeds with bike, brake, technician and start",
        "mend the export or its map",
    )


def _table_description(raw: RawTable) -> str:
    names = ", ".join(heading[:24] for heading in raw.headings[:5])
    return f"{raw.file} ({raw.rows_read} rows; {names} …)"
