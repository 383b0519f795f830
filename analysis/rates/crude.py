"""Crude comeback rates by group, not adjusted for anything."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import level_codes, wilson
from analysis.survival import event_type, is_return_observable, window_incidence

KINDS = {
    "shop": "shop",
    "technician": "technician",
    "brake_model": "brake_model",
    "fluid": "fluid_required",
    "job_reason": "job_reason",
    "brake": "brake",
    "hose_route": "hose_route",
}
NOT_RECORDED = "not recorded"


def crude_rates(data: BleedData) -> pl.DataFrame:
    """One row per group of every kind (kind `all` has one group, `all`), sorted by kind and group.

    Columns
    -------
    kind, group
        Bleeds without a recorded group are in the group `not recorded`; a kind recorded for no bleed is left out.
    sessions, mature, comebacks
        Numbers of bleeds, of bleeds followed for the whole window, and of those with a re-bleed return within it.
    rate, rate_lo, rate_hi
        comebacks / mature with Wilson 95% limits; empty without mature bleeds.
    incidence, incidence_lo, incidence_hi
        Aalen-Johansen estimate at the window from all bleeds; empty where none was followed that long.
    """
    bleeds = data.bleeds
    kinds = [kind for kind, column in KINDS.items() if bleeds.get_column(column).count()]
    groups = {kind: bleeds.get_column(KINDS[kind]).fill_null(NOT_RECORDED) for kind in kinds}
    groups["all"] = pl.repeat("all", len(bleeds), eager=True)
    follow_up = _extract_follow_up(bleeds)
    tables = [_rates_of_kind(follow_up, kind, own, data.window_days) for kind, own in groups.items()]
    return pl.concat(tables).sort("kind", "group")


@dataclass(frozen=True)
class _FollowUp:
    """Whether each bleed was followed for the window, came back within it, and was at risk at all.

    `days` and `event_type` are the time at risk of the bleeds at risk, and how it ended.
    """

    mature: NDArray[np.bool_]
    came_back: NDArray[np.bool_]
    at_risk: NDArray[np.bool_]
    days: NDArray[np.int64]
    event_type: NDArray[np.int64]


def _extract_follow_up(bleeds: pl.DataFrame) -> _FollowUp:
    mature, came_back = (bleeds.get_column(name).to_numpy() for name in ("mature", "came_back"))
    observed = bleeds.select(is_return_observable()).to_series()
    at_risk = bleeds.select("days_at_risk", "end").filter(observed)
    return _FollowUp(
        mature,
        mature & came_back,
        observed.to_numpy(),
        at_risk.get_column("days_at_risk").to_numpy(),
        event_type(at_risk),
    )


def _rates_of_kind(follow_up: _FollowUp, kind: str, groups: pl.Series, window_days: int) -> pl.DataFrame:
    codes, names = level_codes(groups), groups.unique().sort()
    counts = {
        "sessions": np.bincount(codes, minlength=len(names)),
        "mature": np.bincount(codes[follow_up.mature], minlength=len(names)),
        "comebacks": np.bincount(codes[follow_up.came_back], minlength=len(names)),
    }
    table = pl.DataFrame({"group": names, **counts})
    incidence = window_incidence(
        codes[follow_up.at_risk], follow_up.days, follow_up.event_type, table.height, window_days
    )
    limits = wilson(table.get_column("comebacks"), table.get_column("mature"))
    return table.select(
        pl.lit(kind).alias("kind"),
        "group",
        "sessions",
        "mature",
        "comebacks",
        rate=pl.col("comebacks") / pl.col("mature"),
        rate_lo=pl.Series(limits.lo),
        rate_hi=pl.Series(limits.hi),
        incidence=pl.Series(incidence.incidence),
        incidence_lo=pl.Series(incidence.lo),
        incidence_hi=pl.Series(incidence.hi),
    ).with_columns(pl.selectors.float().fill_nan(None))
