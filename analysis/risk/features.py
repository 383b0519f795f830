"""Features of each bleed, known when it ends: nothing fitted, nothing from later rows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CASE_MIX_NUMBERS, CONTEXT_CATEGORIES
from analysis.intake import Log
from analysis.physics import Measures, flush_ratio, trapped_air
from analysis.risk.feature_table import FeatureTable
from analysis.risk.history import History, point_in_time_features
from analysis.standard import Standard, missed_steps

FloatArray = NDArray[np.float64]
WORKLOAD = "place_in_day"
CONTEXT_NUMBERS = (*CASE_MIX_NUMBERS, WORKLOAD)
"""Numbers known of the job, and the bleed's place in the technician's day."""
SIGNS = ("lever_travel_after_mm", "pump_gain_mm", "bubbles_first", "bubbles_last", "minutes")
SIGN_FLAGS = ("hard_pull_firm", "leak_seen")
WORK_AMOUNTS = ("cycles", "settle_minutes", "lever_vacuum_strokes", "volume_moved_ml")
HISTORY = ("technician_rate", "model_rate", "technician_bleeds")
PHYSICS = ("travel_excess_mm", "trapped_air_ml", "trapped_air_lo_ml", "trapped_air_hi_ml", "flush_ratio")
MAX_BLEEDS_PER_DAY = 12
LEVER_AND_CALIPER_ML = 6.0
"""Fluid volume of lever and caliper together, added to the hose's: common practice, no source."""
MISSED_PREFIX = "missed "


@dataclass(frozen=True)
class BleedFeatures:
    """One row per bleed, sorted by session_id; empty where not recorded.

    `table` holds session_id, technician, brake_model, bike_id, day, `CONTEXT_CATEGORIES`, `CONTEXT_NUMBERS`, `SIGNS`,
    `SIGN_FLAGS`, `WORK_AMOUNTS`, `HISTORY`, `PHYSICS`, other fields that a step's rule reads, and `missed <id>` for
    each step (true missed, false met). `leak_steps` are the steps whose miss causes a leak, which no stand reading
    shows.
    """

    table: pl.DataFrame
    steps: tuple[str, ...]
    leak_steps: tuple[str, ...] = ()

    @cached_property
    def feature_table(self) -> FeatureTable:
        return FeatureTable(self.table)

    def take(self, rows: NDArray[np.intp]) -> BleedFeatures:
        return replace(self, table=self.table[rows])


def bleed_features(log: Log, standard: Standard, history: History) -> BleedFeatures:
    """Compute the features of every accepted bleed.

    Context, technique (each step met, missed or not recorded, and its reading), stand readings, physics, workload
    (bleeds the technician began earlier that day), and what `history` knew before the bleed's day.

    Parameters
    ----------
    log
        Accepted bleeds and the brakes table; returns are not used.
    standard
        The procedure.
    history
        `build_history` of the log the model is fitted to.
    """
    bleeds = log.sessions.sort("session_id")
    missed = missed_steps(log, standard)
    steps = tuple(step.id for step in standard.steps)
    past = point_in_time_features(history, bleeds).drop("session_id")
    table = bleeds.select(
        "session_id",
        "bike_id",
        pl.col("technician", "brake_model").fill_null(""),
        *CONTEXT_CATEGORIES,
        *_other_step_fields(bleeds, standard),
        *(pl.col(name).cast(pl.Float64) for name in (*CASE_MIX_NUMBERS, *SIGNS, *WORK_AMOUNTS)),
        *SIGN_FLAGS,
        day=pl.col("started_at").dt.date(),
    ).hstack([_place_in_day(bleeds), *past.get_columns()])
    table = table.hstack(_physics(log, table)).with_columns(
        missed.get_column(step).alias(MISSED_PREFIX + step) for step in steps
    )
    leak_steps = tuple(step.id for step in standard.steps if step.acts == "leak")
    return BleedFeatures(table.drop("firm_reference_mm"), steps, leak_steps)


def _other_step_fields(bleeds: pl.DataFrame, standard: Standard) -> list[str]:
    """Fields that a step's rule reads and that are in no other list."""
    listed = {
        *CONTEXT_CATEGORIES,
        *CONTEXT_NUMBERS,
        *SIGNS,
        *SIGN_FLAGS,
        *WORK_AMOUNTS,
        "session_id",
        "technician",
        "bike_id",
    }
    fields = {step.field for step in standard.steps} | {"lever_syringe_end_ml", "brake_model"}
    return sorted(fields & set(bleeds.columns) - listed - {"brake_model"})


def _place_in_day(bleeds: pl.DataFrame) -> pl.Series:
    placed = bleeds.select(
        place=pl.struct("started_at", "session_id").rank("ordinal").over("technician", pl.col("started_at").dt.date())
    )
    return placed.get_column("place").clip(1, MAX_BLEEDS_PER_DAY).cast(pl.Float64).alias(WORKLOAD)


def _physics(log: Log, table: pl.DataFrame) -> pl.DataFrame:
    """Travel above a firm lever's, trapped air and flushed volume; the firm travel is the brakes table's, else the
    shop's own.
    """
    names = ("lever_ratio", "master_bore_mm", "travel_reference_mm", "hose_bore_mm", "hose_mm")
    brakes = log.brakes.select("brake_model", *(pl.col(name).alias(f"brakes.{name}") for name in names))
    inputs = table.select("brake_model", "firm_reference_mm", "lever_travel_after_mm", "hose_mm", "volume_moved_ml")
    with_brakes = inputs.join(brakes, on="brake_model", how="left", maintain_order="left")
    reference = _floats(with_brakes.select(pl.coalesce("brakes.travel_reference_mm", "firm_reference_mm")).to_series())
    travel = _floats(with_brakes.get_column("lever_travel_after_mm"))
    measures = Measures(
        _floats(with_brakes.get_column("brakes.lever_ratio")),
        _floats(with_brakes.get_column("brakes.master_bore_mm")),
        reference,
    )
    air = trapped_air(travel, measures)
    hose = _floats(with_brakes.select(pl.coalesce("hose_mm", "brakes.hose_mm")).to_series())
    bore = _floats(with_brakes.get_column("brakes.hose_bore_mm"))
    flushed = flush_ratio(_floats(with_brakes.get_column("volume_moved_ml")), bore, hose, LEVER_AND_CALIPER_ML)
    columns = (travel - reference, air.ml, air.lo_ml, air.hi_ml, flushed)
    return pl.DataFrame(dict(zip(PHYSICS, columns, strict=True))).fill_nan(None)


def _floats(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
