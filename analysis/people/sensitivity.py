"""What a doubted log does to the ranking of steps: reckoned again without the entries of whoever has a flag."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.stats import Z95, kendall_tau
from analysis.steps import build_design, crude_steps, estimate_marginal_effects
from schemas import validate_table
from schemas.intermediate import MissedSteps
from schemas.outputs import Credibility

FloatArray = NDArray[np.float64]
MIN_BLEEDS = 10
_KINDS = {"technician": pl.String, "flag": pl.Boolean, "ranking_tau": pl.Float64, "ranking_holds": pl.Boolean}


@dataclass(frozen=True)
class _Estimates:
    """What meeting each step would prevent, from returns alone, with its standard error."""

    steps: tuple[str, ...]
    prevented: FloatArray
    sd: FloatArray


def add_ranking_sensitivity(data: BleedData, credibility: DataFrame[Credibility]) -> DataFrame[Credibility]:
    """The findings with what leaving out each flagged technician's entries does to the step ranking.

    Steps are reckoned from returns alone (layer 1), once with every entry and once without those of one technician.
    `ranking_holds` when no step's estimate leaves its own 95% interval and the costliest step stays the costliest, or
    within chance of it; empty where nothing is flagged, or too few comebacks are left to rank anything.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    credibility
        What `credibility` found in all bleeds.
    """
    doubted = credibility.filter("flag").get_column("technician").unique().sort().to_list()
    whole = _estimates(data) if doubted else None
    if whole is None:
        return credibility
    rows: list[dict[str, object]] = []
    for technician in doubted:
        rest = _estimates(leave_one_out(data, technician))
        if rest is not None:
            rows.append({"technician": technician, "flag": True} | _compared(whole, rest))
    if not rows:
        return credibility
    table = credibility.drop("ranking_tau", "ranking_holds").join(
        pl.DataFrame(rows, schema=_KINDS), on=["technician", "flag"], how="left", maintain_order="left"
    )
    return validate_table(Credibility, table.select(credibility.columns))


def leave_one_out(data: BleedData, technician: str) -> BleedData:
    """The same log without one technician's bleeds."""
    others = data.bleeds.get_column("technician") != technician
    missed = validate_table(MissedSteps, data.missed.filter(others))
    return replace(data, bleeds=data.bleeds.filter(others), missed=missed)


def _estimates(data: BleedData) -> _Estimates | None:
    raw = crude_steps(data)
    met = raw.get_column("recorded") - raw.get_column("missed")
    enough = (raw.get_column("missed") >= MIN_BLEEDS) & (met >= MIN_BLEEDS)
    if data.small_sample or int(enough.sum()) < 2:
        return None
    steps = tuple(raw.filter(enough).get_column("step"))
    told = estimate_marginal_effects(data, build_design(data, steps))
    return _Estimates(steps, told.prevented, told.sd)


def _compared(whole: _Estimates, rest: _Estimates) -> dict[str, object]:
    both = [step for step in whole.steps if step in rest.steps]
    places = [whole.steps.index(step) for step in both]
    before, sd = whole.prevented[places], whole.sd[places]
    after = rest.prevented[[rest.steps.index(step) for step in both]]
    inside = np.abs(after - before) <= Z95 * sd
    first, now = int(np.argmax(before)), int(np.argmax(after))
    not_separated = before[first] - before[now] <= Z95 * float(np.hypot(sd[first], sd[now]))
    tau = kendall_tau(before, after)
    if not np.isfinite(tau):  # everybody is alike, so there is no order
        return {"ranking_tau": None, "ranking_holds": None}
    return {"ranking_tau": tau, "ranking_holds": bool(inside.all() and not_separated)}
