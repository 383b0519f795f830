"""Sensitivity of the step ranking: estimated again without the entries of each flagged technician."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.stats import Z95, kendall_tau
from analysis.steps import build_design, crude_step_differences, estimate_marginal_effects
from schemas import validate_table
from schemas.intermediate import MissedSteps
from schemas.outputs import Credibility

FloatArray = NDArray[np.float64]
MIN_BLEEDS = 10
_SENSITIVITY_SCHEMA = {
    "technician": pl.String,
    "flag": pl.Boolean,
    "ranking_tau": pl.Float64,
    "ranking_holds": pl.Boolean,
}


@dataclass(frozen=True)
class _PreventedEstimates:
    """Comebacks that never missing each step would prevent, from comebacks alone, with the standard error."""

    steps: tuple[str, ...]
    prevented: FloatArray
    sd: FloatArray


def add_ranking_sensitivity(data: BleedData, credibility: DataFrame[Credibility]) -> DataFrame[Credibility]:
    """Add to the findings what leaving out each flagged technician's entries does to the step ranking.

    Steps are estimated from comebacks alone, once with every entry and once without those of one technician.
    `ranking_holds` where no step's estimate leaves its own 95% interval and the costliest step stays the costliest or
    does not clearly differ from it; empty where nothing is flagged or too few comebacks are left to rank anything.

    Parameters
    ----------
    data
        The bleeds to fit to.
    credibility
        What `credibility` found in all bleeds.
    """
    flagged = credibility.filter("flag").get_column("technician").unique().sort().to_list()
    whole = _estimate_prevented(data) if flagged else None
    if whole is None:
        return credibility
    rows: list[dict[str, object]] = []
    for technician in flagged:
        rest = _estimate_prevented(leave_technician_out(data, technician))
        if rest is not None:
            rows.append({"technician": technician, "flag": True} | _compare_rankings(whole, rest))
    if not rows:
        return credibility
    table = credibility.drop("ranking_tau", "ranking_holds").join(
        pl.DataFrame(rows, schema=_SENSITIVITY_SCHEMA), on=["technician", "flag"], how="left", maintain_order="left"
    )
    return validate_table(Credibility, table.select(credibility.columns))


def leave_technician_out(data: BleedData, technician: str) -> BleedData:
    """The same log without one technician's bleeds."""
    others = data.bleeds.get_column("technician") != technician
    missed = validate_table(MissedSteps, data.missed.filter(others))
    return replace(data, bleeds=data.bleeds.filter(others), missed=missed)


def _estimate_prevented(data: BleedData) -> _PreventedEstimates | None:
    crude = crude_step_differences(data)
    enough = (crude.get_column("missed") >= MIN_BLEEDS) & (
        crude.get_column("recorded") - crude.get_column("missed") >= MIN_BLEEDS
    )
    if data.small_sample or int(enough.sum()) < 2:
        return None
    steps = tuple(crude.filter(enough).get_column("step"))
    effects = estimate_marginal_effects(data, build_design(data, steps))
    return _PreventedEstimates(steps, effects.prevented, effects.sd)


def _compare_rankings(whole: _PreventedEstimates, rest: _PreventedEstimates) -> dict[str, object]:
    both = [step for step in whole.steps if step in rest.steps]
    indices = [whole.steps.index(step) for step in both]
    before, sd = whole.prevented[indices], whole.sd[indices]
    after = rest.prevented[[rest.steps.index(step) for step in both]]
    inside = np.abs(after - before) <= Z95 * sd
    top, top_after = int(np.argmax(before)), int(np.argmax(after))
    same_top = before[top] - before[top_after] <= Z95 * float(np.hypot(sd[top], sd[top_after]))
    tau = kendall_tau(before, after)
    if not np.isfinite(tau):  # all estimates are equal, so there is no order
        return {"ranking_tau": None, "ranking_holds": None}
    return {"ranking_tau": tau, "ranking_holds": bool(inside.all() and same_top)}
