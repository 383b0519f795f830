"""Bleed data built directly: outcomes and a few columns, everything else not recorded."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl

from analysis.dataset import BleedData
from analysis.standard import built_in

AS_OF = dt.date(2026, 6, 30)
WINDOW = 90
CONTEXT = ("shop", "technician", "brake_model", "hose_route", "brake", "job_reason", "fluid_required", "bike_kind",
           "fluid_out")  # fmt: skip


def bare(back, *, age_days=None, return_days=None, missed=None, **columns) -> BleedData:
    """`back`: whether a return came within the window; `return_days` (NaN: none), at any age, replaces it."""
    back = np.asarray(back, dtype=bool)
    n = len(back)
    age = np.full(n, 400) if age_days is None else np.asarray(age_days)
    days = np.where(back, 30.0, np.nan) if return_days is None else np.asarray(return_days, dtype=float)
    returned = ~np.isnan(days) & (days <= age)
    at_risk = np.where(returned, days, age).astype(np.int64)
    context = {name: pl.Series(name, columns.get(name), dtype=pl.String) if name in columns
               else pl.Series(name, [None] * n, dtype=pl.String) for name in CONTEXT}  # fmt: skip
    started = [AS_OF - dt.timedelta(days=int(a)) for a in age]
    frame = pl.DataFrame({
        "session_id": [f"S{k:07d}" for k in range(n)],
        "bike_id": columns.get("bike_id", [f"b{k}" for k in range(n)]),
        **context,
        "lever_travel_before_mm": pl.Series([None] * n, dtype=pl.Float64),
        "started_at": pl.Series(started, dtype=pl.Datetime("us")),
        "month": [day.strftime("%Y-%m") for day in started],
        "age_days": age.astype(np.int64),
        "mature": age >= WINDOW,
        "return_days": pl.Series(days.tolist(), dtype=pl.Float64).fill_nan(None).cast(pl.Int64).set(pl.Series(~returned), None),
        "next_bleed_days": pl.Series([None] * n, dtype=pl.Int64),
        "days_at_risk": at_risk,
        "end": np.where(returned, "return", "as_of"),
        "came_back": returned & (at_risk <= WINDOW),
    })  # fmt: skip
    steps = pl.DataFrame({"session_id": frame["session_id"], **(missed or {})})
    return BleedData(frame, steps, built_in(), AS_OF, WINDOW)
