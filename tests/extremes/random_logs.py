"""Logs drawn at random within the schema: any size, any field missing, any number of groups, all or none coming back."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl

from schemas import Entry, field_entries
from schemas.log import Comebacks, Sessions

FEW, LARGEST = 60, 300
KEYS = ("session_id", "bike_id", "brake", "technician", "started_at")
GROUPS = ("shop", "brake_model", "bike_kind", "trial", "trial_arm")
FIRST_DAY, LAST_DAY = dt.date(2000, 1, 1), dt.date(2026, 6, 30)
ENTRIES = {entry.name: entry for entry in field_entries("sessions", Sessions)}
FINDINGS = next(entry for entry in field_entries("comebacks", Comebacks) if entry.name == "finding").levels
COMPLAINTS = next(entry for entry in field_entries("comebacks", Comebacks) if entry.name == "complaint").levels


def write_random_log(number: int, folder: Path) -> int:
    """Write the log of a number, the same each time; returns how many rows of bleeds it has."""
    rng = np.random.default_rng(number)
    sizes = (0, 1, 2, int(rng.integers(FEW)), int(rng.integers(LARGEST)), LARGEST)
    n = int(rng.choice(sizes, p=(0.05, 0.1, 0.1, 0.55, 0.15, 0.05)))
    days = _days(rng, n)
    columns = {
        "session_id": [f"S{i}" for i in range(n)],
        "bike_id": [f"B{rng.integers(0, max(n, 1))}" if rng.random() < 0.5 else f"C{i}" for i in range(n)],
        "brake": rng.choice(["front", "rear"], n).tolist(),
        "technician": _names(rng, n, "Person"),
        "started_at": [day.isoformat() for day in days],
    }
    rare = rng.random() * 0.6
    for name, entry in ENTRIES.items():
        if name in columns or rng.random() < rare or not _can_be_drawn(name, entry):
            continue
        values = _names(rng, n, name) if name in GROUPS else _values(rng, n, entry)
        empty = rng.random(n) < rng.choice([0.0, 0.1, 0.9, 1.0], p=[0.5, 0.3, 0.1, 0.1])
        columns[name] = [None if gone else value for value, gone in zip(values, empty, strict=True)]
    log = pl.DataFrame(columns, schema_overrides=dict.fromkeys(columns, pl.String))
    log.write_csv(folder / "sessions.csv")
    _returns(rng, log, days).write_csv(folder / "comebacks.csv")
    return n


def _days(rng: np.random.Generator, n: int) -> list[dt.date]:
    """Spread over a span from one day to all years, some at its edges."""
    span = int(rng.choice([0, 1, 89, 90, 91, 700, (LAST_DAY - FIRST_DAY).days]))
    first = LAST_DAY - dt.timedelta(days=span) if rng.random() < 0.7 else FIRST_DAY
    return [first + dt.timedelta(days=int(rng.choice([0, span, rng.integers(0, span + 1)]))) for _ in range(n)]


def _names(rng: np.random.Generator, n: int, word: str) -> list[str]:
    groups = int(rng.choice([1, 2, 5, max(n, 1)]))
    return [f"{word} {rng.integers(0, groups)}" if groups < n else f"{word} {i}" for i in range(n)]


def _can_be_drawn(name: str, entry: Entry) -> bool:
    return name in GROUPS or bool(entry.levels) or entry.type in ("true/false", "number", "whole number")


def _values(rng: np.random.Generator, n: int, entry: Entry) -> list[str]:
    if entry.levels:
        some = rng.choice(entry.levels, rng.integers(1, len(entry.levels) + 1))
        return [str(value) for value in rng.choice(some, n)]
    if entry.type == "true/false":
        return ["true" if value else "false" for value in rng.random(n) < rng.choice([0.0, 0.2, 0.9, 1.0])]
    low, high = entry.low or 0.0, entry.high if entry.high is not None else 100.0
    middle, width = rng.uniform(low, high), (high - low) * rng.choice([0.0, 0.05, 1.0])
    matches = np.clip(rng.normal(middle, width, n), low, high)
    return [str(int(value)) if entry.type == "whole number" else f"{value:.2f}" for value in matches]


def _returns(rng: np.random.Generator, log: pl.DataFrame, days: list[dt.date]) -> pl.DataFrame:
    """Of none, one, some or all bleeds, after a gap of their own or one that all have."""
    n = log.height
    kind = rng.choice(["none", "one", "some", "all"])
    back = {"none": np.zeros(n), "one": np.arange(n) == n // 2, "some": rng.random(n) < 0.2, "all": np.ones(n)}[kind]
    places, gap = np.flatnonzero(back), rng.choice([-1, 0, 1, 20, 90, 91])
    after = [int(rng.integers(0, 200) if gap < 0 else gap) for _ in places]
    return pl.DataFrame(
        {
            "comeback_id": [f"R{i}" for i in range(len(places))],
            "bike_id": [log["bike_id"][int(i)] for i in places],
            "brake": [log["brake"][int(i)] for i in places],
            "returned_at": [
                min(days[i] + dt.timedelta(days=more), LAST_DAY).isoformat()
                for i, more in zip(places, after, strict=True)
            ],
            "complaint": rng.choice(COMPLAINTS, len(places)).tolist(),
            "finding": rng.choice(FINDINGS, len(places)).tolist(),
        },
        schema=dict.fromkeys(("comeback_id", "bike_id", "brake", "returned_at", "complaint", "finding"), pl.String),
    )
