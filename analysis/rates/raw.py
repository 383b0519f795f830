"""How many bleeds come back, honestly counted, group by group: nothing adjusted yet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import at_window, ends, watched
from analysis.prepared import Prepared
from analysis.stats import level_codes, wilson

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


def raw_rates(prepared: Prepared) -> pl.DataFrame:
    """One row a group of every kind (kind `all` has group `all`), sorted by kind and group.

    Columns
    -------
    kind, group
        A bleed whose group was not recorded stands under `not recorded`; a kind no bleed has is left out.
    sessions, mature, comebacks
        Bleeds; those followed for the window; mature ones with a re-bleed return within it.
    rate, rate_lo, rate_hi
        comebacks / mature with Wilson limits (95%); empty without mature bleeds.
    incidence, incidence_lo, incidence_hi
        Aalen–Johansen at the window over all bleeds; empty where none was followed so far.
    """
    bleeds = prepared.bleeds
    kinds = [kind for kind, column in KINDS.items() if bleeds.get_column(column).count()]
    words = {kind: bleeds.get_column(KINDS[kind]).fill_null(NOT_RECORDED) for kind in kinds}
    words["all"] = pl.repeat("all", len(bleeds), eager=True)
    course = _course(bleeds)
    return pl.concat([_kind(course, kind, own, prepared.window_days) for kind, own in words.items()]).sort(
        "kind", "group"
    )


@dataclass(frozen=True)
class _Course:
    """What became of each bleed: whether it was followed for the window and whether it came back then; whether it was
    watched, and of those that were, the days at risk and how they ended."""

    mature: NDArray[np.bool_]
    came_back: NDArray[np.bool_]
    watched: NDArray[np.bool_]
    days: NDArray[np.int64]
    ends: NDArray[np.int64]


def _course(bleeds: pl.DataFrame) -> _Course:
    mature, came_back = (bleeds.get_column(name).to_numpy() for name in ("mature", "came_back"))
    seen = bleeds.select(watched()).to_series()
    left = bleeds.select("days_at_risk", "end").filter(seen)
    return _Course(mature, mature & came_back, seen.to_numpy(), left.get_column("days_at_risk").to_numpy(), ends(left))


def _kind(course: _Course, kind: str, groups: pl.Series, window_days: int) -> pl.DataFrame:
    codes, names = level_codes(groups), groups.unique().sort()
    counts = {
        "sessions": np.bincount(codes, minlength=len(names)),
        "mature": np.bincount(codes[course.mature], minlength=len(names)),
        "comebacks": np.bincount(codes[course.came_back], minlength=len(names)),
    }
    table = pl.DataFrame({"group": names, **counts})
    found = at_window(codes[course.watched], course.days, course.ends, table.height, window_days)
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
        incidence=pl.Series(found.incidence),
        incidence_lo=pl.Series(found.lo),
        incidence_hi=pl.Series(found.hi),
    ).with_columns(pl.selectors.float().fill_nan(None))
