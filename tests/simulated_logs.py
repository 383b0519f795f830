"""Simulated workshops as the estimating packages take them, without a detour through files."""

from __future__ import annotations

import tempfile
from pathlib import Path

import polars as pl

from analysis.dataset import BleedData, bleed_data
from analysis.intake import Log, read_log
from analysis.standard import Standard, built_in
from schemas import LOG_TABLES, empty, intermediate, outputs, validate_table
from synthetic import SimulatedLog, write_simulation


def log_of_made(created: SimulatedLog) -> Log:
    """The made log, read."""
    with tempfile.TemporaryDirectory() as folder:
        write_simulation(created, Path(folder))
        return read_log([folder])


def prepared_from(log: Log, standard: Standard | None = None, window_days: int = 90) -> BleedData:
    """A log prepared."""
    return bleed_data(log, standard or built_in(), window_days)


def prepared_of(created: SimulatedLog, standard: Standard | None = None, window_days: int = 90) -> BleedData:
    """The made log, read and prepared."""
    return prepared_from(log_of_made(created), standard, window_days)


def entries_of(created: SimulatedLog, standard: Standard | None = None) -> BleedData:
    """The made bleeds and their steps alone, straight from memory: many times quicker than `prepared_of`.

    Returns are left out (but those a job_reason tells): enough for who wrote what, and when.
    """
    standard = standard or built_in()
    schema = empty(LOG_TABLES["sessions"]).schema
    absent = [
        pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in created.sessions.columns
    ]
    other = {"started_at_has_time": pl.lit(True), "file": pl.lit("memory"), "row": pl.int_range(pl.len())}
    sessions = created.sessions.with_columns(absent).cast(dict(schema)).with_columns(**other).sort("session_id")
    log = Log(
        **{name: empty(model) for name, model in LOG_TABLES.items() if name != "sessions"},
        sessions=validate_table(LOG_TABLES["sessions"], sessions),
        links=empty(intermediate.Links),
        intake=empty(outputs.Intake),
        set_aside=empty(outputs.SetAside),
        as_of=created.as_of,
        has_comebacks_table=False,
    )
    return bleed_data(log, standard, created.window_days)
