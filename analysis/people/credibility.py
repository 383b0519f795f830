"""Tests for unusual recording patterns, and the ranking of steps without the technicians that they flag."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.people.copies_and_habits import constant_findings, copy_findings, duration_findings
from analysis.people.digit_preference import digit_findings
from analysis.people.entries import EntryFinding, recorded_values
from analysis.people.selective_recording import selective_findings
from analysis.stats import Z95, FloatArray, benjamini_hochberg, kendall_tau
from analysis.steps import build_design, crude_step_differences, estimate_marginal_effects
from schemas import empty, validate_table
from schemas.intermediate import MissedSteps
from schemas.outputs import Credibility

FLAG_AT_Q = 0.01
"""False discoveries are controlled more strictly than the usual 5%: a flag on a person's name costs trust."""


def credibility(data: BleedData) -> DataFrame[Credibility]:
    """Test how each technician recorded; a flag is a reason to talk, not a verdict.

    Tests: favourite_digits, copied_entries, impossible_durations, never_varied, recorded_only_when_met.
    `q_value` is Benjamini & Hochberg's (1995) over all tests of all technicians; `flag` is q ≤ 0.01.
    """
    findings = _all_findings(data)
    if not findings:
        return empty(Credibility)
    q = benjamini_hochberg([finding.p_value for finding in findings])
    table = pl.DataFrame(
        [
            {
                "technician": f.technician,
                "test": f.test,
                "field": f.field or None,
                "n": f.n,
                "statistic": f.statistic,
                "p_value": f.p_value,
                "q_value": float(qi),
                "flag": bool(qi <= FLAG_AT_Q),
                "example_sessions": " ".join(f.examples) if qi <= FLAG_AT_Q else None,
            }
            for f, qi in zip(findings, q, strict=True)
        ],
        schema=empty(Credibility).schema,
    )
    return validate_table(Credibility, table.sort("technician", "test", "field"))


def _all_findings(data: BleedData) -> list[EntryFinding]:
    bleeds = data.bleeds
    readings = recorded_values(bleeds)
    return [
        *digit_findings(readings),
        *copy_findings(bleeds, tuple(dict.fromkeys(step.field for step in data.standard.steps))),
        *duration_findings(bleeds),
        *constant_findings(readings),
        *selective_findings(bleeds, data.missed),
    ]


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
    """
    flagged = credibility.filter("flag").get_column("technician").unique().sort().to_list()
    whole = _prevented_by_step(data) if flagged else None
    if whole is None:
        return credibility
    rows: list[dict[str, object]] = []
    for technician in flagged:
        rest = _prevented_by_step(leave_technician_out(data, technician))
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


def _prevented_by_step(data: BleedData) -> _PreventedEstimates | None:
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
