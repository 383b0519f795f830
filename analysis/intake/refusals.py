"""Why no log can come of some exports, as a user can mend it."""

from __future__ import annotations

import polars as pl

from analysis.errors import CannotRun
from analysis.intake.fit import fitting
from analysis.intake.mapping import Mapping
from analysis.intake.one_table import OneTable
from analysis.intake.raw import RawTable
from analysis.intake.sources import RawTables
from analysis.intake.told import set_aside_of


def no_sessions(found: RawTables, mapping: Mapping | None) -> CannotRun:
    """No table of bleeds is among them: what was seen instead."""
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


def none_accepted(done: OneTable) -> CannotRun:
    """Not one bleed was accepted: the three commonest reasons."""
    told = set_aside_of(done.settled, done.judged).filter(pl.col("action") != "value_blanked")
    common = told.group_by("message").agg(n=pl.col("row").n_unique()).sort("n", "message", descending=[True, False])
    why = "; ".join(f"{message} ({n} rows)" for message, n in common.head(3).iter_rows()) or "the table has no rows"
    return CannotRun(
        done.settled.gathered.parts[0].raw.file,
        f"no bleed was accepted. The commonest reasons: {why}",
        "bleeds with bike, brake, technician and start",
        "mend the export or its map",
    )


def _seen(raw: RawTable) -> str:
    names = ", ".join(heading[:24] for heading in raw.headings[:5])
    return f"{raw.file} ({raw.rows_read} rows; {names} …)"
