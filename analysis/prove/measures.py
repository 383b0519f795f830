"""Measures of how well the audit finds the truth, each with its interval and target."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.prove.one_workshop import (
    CHANGE_INVENTED,
    EASY_WORK_FOUND,
    EQUAL_SIGNALLED,
    MONTH_FOUND,
    SCAPEGOAT_CLEARED,
    SimulationResult,
)
from analysis.prove.scenarios import SIGNS_OF_NO_USE, WITH_EFFECTS, WITHOUT_EFFECT
from analysis.prove.workshop_measures import (
    CALENDAR_CHANGE,
    CALENDAR_SIGNAL,
    CURVE_INVENTED,
    DIFFERENCE_FOUND,
    DIFFERENCE_INVENTED,
    EQUAL_NAMED,
    FEW_HELD,
    FEW_SIGNALLED,
    GAP_ASKED,
    GAP_JUDGED,
    IMPROVEMENT_FOUND,
    IMPROVEMENT_INVENTED,
    LATE_COSTS,
    LATE_FOUND,
    ONE_FOUND,
    ONE_MISTAKEN,
    PASSES_COVERED,
    PASSES_PRAISED,
    SHOP_MISTAKEN,
    TOTAL_COVERED,
    UNSEEN_COSTS,
    UNSEEN_FOUND,
    UNSEEN_INVENTED,
    MeasureTarget,
    mean_row,
    risk_rows,
    root_mean_row,
    share_row,
    target_at_size,
)
from analysis.stats import kendall_tau
from schemas import empty, validate_table
from schemas.outputs import Prove

COVERAGE = MeasureTarget(minimum=0.93)
TAU = {"additive air": (0.50, 0.65, 0.82), "multiplicative effects": (0.80, 0.86, 0.93)}
TOP, ERROR = (0.80, 0.95, 0.97), (0.22, 0.135, 0.055)
"""Targets at 1,000, 3,000 and 20,000 bleeds; between two sizes the smaller one's target applies."""
PROPORTIONAL = ("loglinear",)
PHYSICAL = tuple(name for name in WITH_EFFECTS if name not in PROPORTIONAL)
OUTCOME_TARGETS = {
    EQUAL_SIGNALLED: MeasureTarget(maximum=0.05),
    SCAPEGOAT_CLEARED: MeasureTarget(minimum=0.80),
    EASY_WORK_FOUND: MeasureTarget(minimum=0.80),
    MONTH_FOUND: MeasureTarget(minimum=0.90),
    CHANGE_INVENTED: MeasureTarget(maximum=0.05),
    FEW_SIGNALLED: MeasureTarget(maximum=0.05),
    FEW_HELD: MeasureTarget(minimum=0.93),
    ONE_FOUND: MeasureTarget(minimum=0.85),
    ONE_MISTAKEN: MeasureTarget(maximum=0.05),
    SHOP_MISTAKEN: MeasureTarget(maximum=0.05),
    GAP_JUDGED: MeasureTarget(maximum=0.05),
    GAP_ASKED: MeasureTarget(minimum=0.90),
    CALENDAR_CHANGE: MeasureTarget(maximum=0.05),
    CALENDAR_SIGNAL: MeasureTarget(maximum=0.10),
    EQUAL_NAMED: MeasureTarget(maximum=0.05),
    IMPROVEMENT_INVENTED: MeasureTarget(maximum=0.05),
    IMPROVEMENT_FOUND: MeasureTarget(),
    DIFFERENCE_INVENTED: MeasureTarget(maximum=0.05),
    DIFFERENCE_FOUND: MeasureTarget(),
    PASSES_COVERED: COVERAGE,
    PASSES_PRAISED: MeasureTarget(maximum=0.05),
    TOTAL_COVERED: COVERAGE,
    UNSEEN_COSTS: MeasureTarget(maximum=0.10),
    UNSEEN_FOUND: MeasureTarget(minimum=0.80),
    LATE_FOUND: MeasureTarget(minimum=0.90),
    LATE_COSTS: MeasureTarget(maximum=0.10),
    UNSEEN_INVENTED: MeasureTarget(maximum=0.05),
    CURVE_INVENTED: MeasureTarget(maximum=0.05),
}


def proof(results: list[SimulationResult]) -> DataFrame[Prove]:
    """Every measure by size of workshop.

    Shares have exact binomial limits over workshops (over steps for coverage, which are not quite independent, so
    those limits are a little narrow); means have normal limits over workshops, as the measures are too many to
    resample.
    """
    rows = [row for sessions in sorted({one.sessions for one in results}) for row in _measure_rows(results, sessions)]
    return validate_table(Prove, pl.DataFrame(rows, schema=empty(Prove).schema))


def _measure_rows(results: list[SimulationResult], sessions: int) -> list[dict[str, Any]]:
    at_this_size = [one for one in results if one.sessions == sessions]
    with_estimates = [one for one in at_this_size if one.estimate]
    rows = _step_rows([one for one in with_estimates if one.family in WITH_EFFECTS], sessions)
    null = [any(one.called) for one in with_estimates if one.family in WITHOUT_EFFECT]
    rows += [share_row("no step matters: any step flagged", sessions, null, MeasureTarget(maximum=0.05))]
    rows += risk_rows(
        {one.family: [o.risk for o in at_this_size if o.family == one.family and o.risk] for one in at_this_size},
        sessions,
    )
    facts = [fact for one in at_this_size for fact in one.facts]
    rows += [
        share_row(m, sessions, [f.true for f in facts if f.measure == m], target)
        for m, target in OUTCOME_TARGETS.items()
    ]
    return [row for row in rows if row["workshops"]]


def _step_rows(results: list[SimulationResult], sessions: int) -> list[dict[str, Any]]:
    rows = []
    for name in WITH_EFFECTS:
        inside = [_truth_in_intervals(one) for one in results if one.family == name]
        row = share_row(f"interval coverage: {name}", sessions, [ok for one in inside for ok in one], COVERAGE)
        rows.append(row | {"workshops": len(inside)})
    rows.append(_worst_step(results, sessions))
    calling = [one for one in results if any(one.called)]
    wrong = [truth <= 0 for one in calling for truth, called in zip(one.truth, one.called, strict=True) if called]
    rows.append(
        share_row("steps flagged that have no real effect", sessions, wrong, MeasureTarget(maximum=0.05))
        | {"workshops": len(calling)}
    )
    first = [_truth_in_intervals(one)[int(np.argmin(one.rank))] for one in results]
    rows.append(
        share_row("the first-ranked step's interval includes the truth", sessions, first, MeasureTarget(minimum=0.90))
    )
    for name in SIGNS_OF_NO_USE:
        own = [one for one in results if one.family == name]
        by_return = mean_row(
            f"rank correlation from comebacks alone (Kendall's tau): {name}",
            sessions,
            [_tau_with_truth(o, o.survival_estimate) for o in own],
            MeasureTarget(),
        )
        least = by_return.get("lo", float("nan"))
        rows += [
            by_return,
            mean_row(
                f"rank correlation (Kendall's tau): {name}",
                sessions,
                [_tau_with_truth(o, _ranking_scores(o)) for o in own],
                _minimum_target(least),
            ),
        ]
    useful = [one for one in results if one.family not in SIGNS_OF_NO_USE]
    for name, families in {"additive air": PHYSICAL, "multiplicative effects": PROPORTIONAL}.items():
        order = [_tau_with_truth(one, _ranking_scores(one)) for one in useful if one.family in families]
        rows.append(
            mean_row(
                f"rank correlation (Kendall's tau): {name}",
                sessions,
                order,
                _minimum_target(target_at_size(sessions, TAU[name])),
            )
        )
    top = [_top_three_in_true_top_four(one) for one in useful]
    rows.append(
        share_row(
            "all three top-ranked steps in the true top four",
            sessions,
            top,
            MeasureTarget(target_at_size(sessions, TOP)),
        )
    )
    errors = [float(np.mean((np.array(one.estimate) - one.truth) ** 2)) for one in useful]
    rows.append(
        root_mean_row("root-mean-square error, per 100 bleeds", sessions, errors, target_at_size(sessions, ERROR))
    )
    return rows


def _worst_step(results: list[SimulationResult], sessions: int) -> dict[str, Any]:
    """The step whose interval included the truth least often, over every family."""
    covered: dict[str, list[bool]] = {}
    for one in results:
        for step, inside in zip(one.steps, _truth_in_intervals(one), strict=True):
            covered.setdefault(step, []).append(inside)
    worst = min(covered.values(), key=lambda inside: float(np.mean(inside)), default=[])
    return share_row("interval coverage: the worst step", sessions, worst, MeasureTarget(minimum=0.85))


def _minimum_target(minimum: float) -> MeasureTarget:
    return MeasureTarget(minimum=minimum, share=False)


def _truth_in_intervals(result: SimulationResult) -> list[bool]:
    return [lo <= t <= hi for lo, t, hi in zip(result.lo, result.truth, result.hi, strict=True)]


def _ranking_scores(result: SimulationResult) -> list[float]:
    """The ranking of the steps, the costliest highest."""
    return [-float(rank) for rank in result.rank]


def _tau_with_truth(result: SimulationResult, estimate: list[float]) -> float:
    return kendall_tau(estimate, result.truth)


def _top_three_in_true_top_four(result: SimulationResult) -> bool:
    return set(np.argsort(result.rank)[:3]) <= set(np.argsort(result.truth)[-4:])
