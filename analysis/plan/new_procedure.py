"""A new procedure against the log: who would have met it, the minutes it takes, comebacks it may prevent, limits it moves."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import DAYS_PER_YEAR, BleedData, bleeds_per_year
from analysis.intake import Log
from analysis.standard import Limits, Standard, Step, missed_steps
from analysis.stats import Z95, clustered_standard_error, holm, level_codes, normal_tail
from analysis.steps import (
    FittedCurve,
    PreventedComebacks,
    build_design,
    dose_response_inputs,
    fit_curves,
    prevented_if_never_missed,
    step_costs,
)
from schemas import empty, validate_table
from schemas.outputs import ProcedureTrial

MIN_TIMED, MIN_NEAR = 100, 30
MINUTES_RIDGE = 1e-2
CLEAR_P = 0.05


@dataclass(frozen=True)
class Minutes:
    """Bench minutes for each bleed that doing all changed steps would take, with 95% limits, and the bleeds it is from."""

    each: float
    lo: float
    hi: float
    bleeds: int


@dataclass(frozen=True)
class MovedLimit:
    """A limit that the new procedure moves, and whether the log shows that it matters there.

    `evidence` is `supported`, `none`, `looser` (moved outwards: the log cannot show that this is safe) or `makers_limit`
    (moved outwards although the step is marked `never_looser`).
    """

    step: str
    text: str
    evidence: str


@dataclass(frozen=True)
class NewProcedure:
    """What is known about a new procedure; `prevented` and `minutes` are None where the log is too small."""

    table: DataFrame[ProcedureTrial]
    bleeds: int
    met_all: float
    changed: tuple[str, ...]
    minutes: Minutes | None
    prevented: PreventedComebacks | None
    moved: tuple[MovedLimit, ...] = field(default=())


def try_procedure(log: Log, data: BleedData, new: Standard, rng: np.random.Generator) -> NewProcedure:
    """Judge the last year's bleeds by a new procedure, and estimate what it would take and prevent.

    `data` is judged by the current procedure.
    """
    under_new = replace(data, missed=missed_steps(log, replace(new, earlier=())), standard=replace(new, earlier=()))
    changed = _changed_steps(data.standard, new)
    recent = data.bleeds.select(pl.col("age_days") <= DAYS_PER_YEAR).to_series()
    costs = step_costs(under_new, rng)
    steps = tuple(step for step in changed if costs.design is not None and step in costs.design.steps)
    return NewProcedure(
        table=_met_shares(data, under_new, recent),
        bleeds=int(recent.sum()),
        met_all=_share_met_all(under_new, recent),
        changed=changed,
        minutes=_estimate_minutes(under_new, changed),
        prevented=prevented_if_never_missed(costs, steps, bleeds_per_year(data), rng) if steps else None,
        moved=tuple(_list_moved_limits(data, new, rng)),
    )


def _changed_steps(now: Standard, new: Standard) -> tuple[str, ...]:
    """IDs of steps that are new or have another rule."""
    rules = {step.id: (step.field, step.rule) for step in now.steps}
    return tuple(step.id for step in new.steps if rules.get(step.id) != (step.field, step.rule))


def _met_shares(now: BleedData, new: BleedData, recent: pl.Series) -> DataFrame[ProcedureTrial]:
    shop = now.bleeds.get_column("shop").fill_null("not recorded").filter(recent)
    shops = shop.unique().sort().to_list()
    rows = []
    for step in new.standard.steps:
        missed = new.missed.get_column(step.id).filter(recent)
        before = now.missed.get_column(step.id).filter(recent) if step.id in now.missed.columns else None
        for name in (None, *(shops if len(shops) > 1 else [])):
            here = pl.repeat(True, len(shop), eager=True) if name is None else shop == name
            own = missed.filter(here)
            rows.append(
                {
                    "step": step.id,
                    "shop": name,
                    "recorded": own.count(),
                    "met": own.count() - int(own.sum()),
                    "met_now": None if before is None else before.filter(here).count() - int(before.filter(here).sum()),
                }
            )
    return validate_table(ProcedureTrial, pl.DataFrame(rows, schema=empty(ProcedureTrial).schema))


def _share_met_all(data: BleedData, recent: pl.Series) -> float:
    """Share of the bleeds with no recorded miss."""
    missed = data.missed.filter(recent).drop("session_id")
    return float((~missed.fill_null(False).select(pl.any_horizontal(pl.all())).to_series()).mean() or 0.0)  # type: ignore[arg-type]


def _estimate_minutes(data: BleedData, changed: tuple[str, ...]) -> Minutes | None:
    """Minutes that the changed steps' misses save, averaged over all bleeds: least squares on the model's columns, by bike.

    None with fewer than 100 bleeds timed, or no changed step both missed and met.
    """
    varying = tuple(
        step for step in data.missed.columns[1:] if data.missed.get_column(step).drop_nulls().n_unique() == 2
    )
    steps = [step for step in changed if step in varying]
    timed = data.bleeds.get_column("minutes").is_not_null().to_numpy()
    if not steps or timed.sum() < MIN_TIMED:
        return None
    design = build_design(data, varying)
    x = np.column_stack([np.ones(int(timed.sum())), design.x[timed]])
    y = data.bleeds.get_column("minutes").to_numpy()[timed].astype(float)
    inverse = np.linalg.inv(x.T @ x + np.diag([0.0, *np.full(x.shape[1] - 1, MINUTES_RIDGE)]))
    coefficients = inverse @ (x.T @ y)
    contrast = np.zeros(x.shape[1])
    for step in steps:
        place = design.steps.index(step)
        contrast[1 + place] = -design.missed[:, place].mean()
    influence = (x @ (inverse @ contrast)) * (y - x @ coefficients)
    each = float(contrast @ coefficients)
    error = clustered_standard_error(influence, level_codes(data.bleeds.get_column("bike_id"))[timed])
    return Minutes(each, each - Z95 * error, each + Z95 * error, int(timed.sum()))


def _list_moved_limits(data: BleedData, new: Standard, rng: np.random.Generator) -> list[MovedLimit]:
    """Limits of measured steps that differ, with the evidence of the test that `propose_limits` uses."""
    now = {step.id: step for step in data.standard.steps}
    moved = [
        (now[step.id], step)
        for step in new.steps
        if step.id in now and now[step.id].field == step.field and now[step.id].limits != step.limits
    ]
    if not moved:
        return []
    costs = step_costs(data, rng)
    curves = fit_curves(dose_response_inputs(data, costs.design, costs.return_model))
    return [
        MovedLimit(
            after.id,
            f"{_limits_text(before.limits)} becomes {_limits_text(after.limits)}",
            _evidence_code(before, after, curves),
        )
        for before, after in moved
    ]


def _evidence_code(before: Step, after: Step, curves: list[FittedCurve]) -> str:
    readings = [curve.table.filter(pl.col("lo").is_not_null()) for curve in curves if curve.step.id == before.id]
    newly_accepted = _is_within_limits(after.limits) & ~_is_within_limits(before.limits)
    if any(table.filter(newly_accepted).height for table in readings):
        return "makers_limit" if before.never_looser else "looser"
    furthest = {(one.step, one.key): one.after for one in select_supported_limits(curves)}
    lowest, highest = furthest.get((before.id, "min")), furthest.get((before.id, "max"))
    old, new = before.limits, after.limits
    low_supported = new.lo == old.lo or new.lo is None or (lowest is not None and new.lo <= lowest)
    high_supported = new.hi == old.hi or new.hi is None or (highest is not None and new.hi >= highest)
    return "supported" if low_supported and high_supported else "none"


def _is_within_limits(limits: Limits) -> pl.Expr:
    infinity = float("inf")
    low = -infinity if limits.lo is None else limits.lo
    return pl.col("reading").is_between(low, infinity if limits.hi is None else limits.hi)


def _limits_text(limits: Limits) -> str:
    if limits.lo is None or limits.hi is None:
        return (
            f"at most {limits.hi:g}"
            if limits.hi is not None
            else f"at least {limits.lo:g}"
            if limits.lo is not None
            else "any"
        )
    return f"{limits.lo:g} to {limits.hi:g}"


@dataclass(frozen=True)
class ProposedLimit:
    """A limit (`min` or `max` of a step) moved to a reading, and the two rows of the curve that are the reason.

    `worse` is the reading left out, `better` the one compared with.
    """

    step: str
    key: str
    before: float
    after: float
    worse: dict[str, Any] = field(repr=False)
    better: dict[str, Any] = field(repr=False)


def propose_limits(data: BleedData, rng: np.random.Generator) -> list[ProposedLimit]:
    """Limits that the dose-response curves support moving inwards.

    A limit moves past every reading within it whose risk is clearly above that of a reading further in, with 30 bleeds or
    more near both. It never moves outwards: where few go beyond a limit, a log offers little evidence that it is safe to.
    """
    costs = step_costs(data, rng)
    return select_supported_limits(fit_curves(dose_response_inputs(data, costs.design, costs.return_model)))


@dataclass(frozen=True)
class _ReadingPair:
    """Two readings within a limit, by place on the curve; `p_value` is that of the outer one being no worse (one-sided)."""

    curve: FittedCurve = field(repr=False)
    key: str
    outer: int
    further_in: int
    p_value: float


def select_supported_limits(curves: list[FittedCurve]) -> list[ProposedLimit]:
    """Limits that the curves support moving inwards.

    Each pair of readings within a limit is compared by the difference of their log hazards, with its covariance; p-values
    are adjusted over all pairs, limits and steps (Holm 1979), clear at 0.05.
    """
    pairs = [pair for curve in curves for key in ("min", "max") for pair in _reading_pairs(curve, key)]
    adjusted = holm([pair.p_value for pair in pairs])
    proposals: dict[tuple[str, str], ProposedLimit] = {}
    for place in np.argsort(adjusted, kind="stable")[::-1]:  # the clearest last
        pair, step = pairs[place], pairs[place].curve.step
        if adjusted[place] > CLEAR_P:
            continue
        one, previous = _propose_moved_limit(pair), proposals.get((step.id, pair.key))
        inwards = 1 if pair.key == "min" else -1
        if previous is None or inwards * one.after >= inwards * previous.after:
            proposals[step.id, pair.key] = one
    return [proposals[key] for key in sorted(proposals)]


def _reading_pairs(curve: FittedCurve, key: str) -> list[_ReadingPair]:
    if (curve.step.limits.lo if key == "min" else curve.step.limits.hi) is None:
        return []
    inside = _usable_places(curve, key)
    return [
        _ReadingPair(curve, key, outer, further_in, _no_worse_p_value(curve, outer, further_in))
        for place, outer in enumerate(inside)
        for further_in in inside[place + 1 :]
    ]


def _usable_places(curve: FittedCurve, key: str) -> list[int]:
    """Places of the curve within the step's limits with enough bleeds near them, in order from this limit inwards."""
    usable = curve.table.select(_is_within_limits(curve.step.limits) & (pl.col("bleeds") >= MIN_NEAR)).to_series()
    places = usable.arg_true().to_list()
    return places if key == "min" else places[::-1]


def _no_worse_p_value(curve: FittedCurve, outer: int, further_in: int) -> float:
    covariance = curve.covariance
    variance = covariance[outer, outer] + covariance[further_in, further_in] - 2 * covariance[outer, further_in]
    difference = curve.log_hazard[outer] - curve.log_hazard[further_in]
    return float(normal_tail(difference / max(variance, 1e-12) ** 0.5))


def _propose_moved_limit(pair: _ReadingPair) -> ProposedLimit:
    step, inside = pair.curve.step, _usable_places(pair.curve, pair.key)
    rows = pair.curve.table.select("reading", "pooled", "bleeds", "risk", "lo", "hi")
    worse, better = (rows.row(place, named=True) for place in (pair.outer, pair.further_in))
    after = rows.row(inside[inside.index(pair.outer) + 1], named=True)["reading"]
    before = step.limits.lo if pair.key == "min" else step.limits.hi
    return ProposedLimit(step.id, pair.key, float(before or 0.0), after, worse, better)
