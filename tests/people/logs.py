"""Small logs drawn for the tests of people: what is not said of a bleed is not recorded."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

import polars as pl

from analysis.dataset import BleedData, bleed_data
from analysis.standard import built_in
from tests.build import bleed, log_of

FIRST = dt.datetime(2025, 7, 1, 9, 0)


def entries(technician: str, rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """One bleed a row, one bike each, evenly over eleven months of mornings."""
    rows = list(rows)
    days = [FIRST + dt.timedelta(days=330 * n // len(rows)) for n in range(len(rows))]
    return [
        bleed(f"{technician}-{n:03}", day.isoformat(), bike_id=f"{technician}-{n}") | {"technician": technician} | row
        for n, (day, row) in enumerate(zip(days, rows, strict=True))
    ]


def ready(*parts: list[dict[str, Any]]) -> BleedData:
    return bleed_data(log_of([row for part in parts for row in part], []), built_in(), 90)


def steps_of(counts: dict[str, list[tuple[int, int]]], bleeds: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Bleeds and their steps, so that each technician has so many misses and so many blanks of each step.

    Misses stand at the head of a technician's bleeds and blanks at the end, which no test of shares minds.
    """
    people, missed = [], []
    for who, steps in counts.items():
        ids = [f"{who}-{n:03}" for n in range(bleeds)]
        people.append(pl.DataFrame({"session_id": ids, "technician": who}))
        columns = {
            f"step {s}": [True] * misses + [False] * (bleeds - misses - blanks) + [None] * blanks
            for s, (misses, blanks) in enumerate(steps)
        }
        schema = {"session_id": pl.String} | dict.fromkeys(columns, pl.Boolean)
        missed.append(pl.DataFrame({"session_id": ids} | columns, schema=schema))
    return pl.concat(people), pl.concat(missed)
