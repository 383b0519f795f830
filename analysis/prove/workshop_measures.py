"""What an audit of one simulated workshop gives, compared with the truth: groups, steps, people and risk."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.monitoring import monthly_rates
from analysis.people import coaching_effects, technique_table
from analysis.plan import trials
from analysis.prove.scenarios import (
    CALENDARS,
    COACHED_FUTILE,
    COACHED_WORKS,
    FEW_GROUPS,
    GAPS,
    ONE_OF_FIVE,
    ONE_OF_THREE,
    RECORDED_LATE,
    SKIPS,
    SKIPS_HARMLESS,
    STOPS,
    THREE_EQUAL,
    TRIAL_WORKS,
    UNSEEN,
)
from analysis.rates import expected_risk, rates
from analysis.risk import (
    DEFAULT_TREES,
    backtest_bleeds,
    baselines,
    build_history,
    calibration_line,
    log_odds_of,
    make_risk_pipeline,
)
from analysis.stats import Z95, FloatArray, exact_binomial_limits
from analysis.steps import StepCosts, dose_response_curves, dose_response_inputs, step_costs
from schemas import empty
from schemas.outputs import Steps
from synthetic import Workshop

SIZES = (1_000, 3_000, 20_000)
FEW_SIGNALLED = "few equal groups: any group flagged"
FEW_HELD = "few equal groups: the ratio's interval includes 1"
ONE_FOUND = "one of five technicians at twice the hazard: flagged"
ONE_MISTAKEN = "one of five technicians at twice the hazard: another flagged"
SHOP_MISTAKEN = "one of three shops at 1.7 times the hazard: another flagged"
GAP_JUDGED = "a shop's returns not recorded for half the time: any shop flagged"
GAP_ASKED = "a shop's returns not recorded for half the time: the gap is queried"
CALENDAR_CHANGE = "seasons, growth and uneven months: a change is reported"
CALENDAR_SIGNAL = "seasons, growth and uneven months: anything flagged"
PASSES_COVERED = "a pass skipped when the first shows few bubbles: the interval for passes includes the truth"
PASSES_PRAISED = "a pass skipped when the first shows few bubbles: skipping reported as preventing comebacks"
TOTAL_COVERED = "the last pass stops with bubbles: intervals include the total effect"
UNSEEN_COSTS = "job difficulty not recorded, no step has an effect: any step flagged as leading to comebacks"
UNSEEN_FOUND = "job difficulty not recorded, no step has an effect: an unrecorded cause is suspected"
LATE_FOUND = "misses recorded only after the bike came back: the entries are queried"
LATE_COSTS = "misses recorded only after the bike came back: any step flagged as leading to comebacks"
UNSEEN_INVENTED = "no unrecorded cause: an unrecorded cause is suspected"
CURVE_INVENTED = "no step has an effect: any tolerance curve flagged"
PASSES = "cycles"
CLEAR_Q = 0.05
EQUAL_NAMED = "three equal technicians: any flagged on a coaching card"
IMPROVEMENT_INVENTED = "the worst technician of a quarter coached without effect: reported as an improvement"
IMPROVEMENT_FOUND = "the worst technician of a quarter coached, half the misses gone: reported as an improvement"
DIFFERENCE_INVENTED = "a trial by workshop without effect: p at most 0.05"
DIFFERENCE_FOUND = "a trial by workshop that halves the hazard: p at most 0.05"
TRAINING_SHARE, MIN_RETURNS = 0.7, 30
SHARE, TREES, BAYES_LIMIT = "share", DEFAULT_TREES, "upper_bound"
SLOPE, CAUGHT, MAX_CAUGHT = "slope", "caught", "most caught"
PLAIN = ("base", "loglinear")
"""Families whose shares have targets; the others are only compared with the best achievable."""
SHARES = (0.78, 0.86, 0.905)
"""Targets at 1,000, 3,000 and 20,000 bleeds."""
LIST_SHARE = 0.1


@dataclass(frozen=True)
class MeasureTarget:
    """What a measure should be: not below `minimum`, not above `maximum` (NaN where there is no such limit)."""

    minimum: float = float("nan")
    maximum: float = float("nan")
    share: bool = True

    @property
    def text(self) -> str:
        if np.isfinite(self.minimum) and np.isfinite(self.maximum):
            return f"{self._limit_text(self.minimum)} to {self._limit_text(self.maximum)}"
        limit, word = (self.minimum, "at least") if np.isfinite(self.minimum) else (self.maximum, "at most")
        return f"{word} {self._limit_text(limit)}" if np.isfinite(limit) else ""

    def _limit_text(self, limit: float) -> str:
        return f"{limit:.0%}" if self.share else f"{limit:.3g}"

    def is_met(self, lo: float, hi: float) -> bool | None:
        """Whether an interval overlaps the target; None without a target."""
        if np.isnan(self.minimum) and np.isnan(self.maximum):
            return None
        return not (hi < self.minimum or lo > self.maximum)


def share_row(measure: str, sessions: int, outcomes: list[bool], target: MeasureTarget) -> dict[str, Any]:
    """The share of outcomes that happened, with exact binomial limits; no value without outcomes."""
    row = _common_columns(measure, sessions, len(outcomes), target) | {"share": True}
    if not outcomes:
        return row
    limits = exact_binomial_limits(sum(outcomes), len(outcomes))
    lo, hi = float(limits.lo), float(limits.hi)
    return row | {"value": float(np.mean(outcomes)), "lo": lo, "hi": hi, "met": target.is_met(lo, hi)}


def mean_row(measure: str, sessions: int, values: list[float], target: MeasureTarget) -> dict[str, Any]:
    """The mean of the finite values over workshops, with normal limits; no value with fewer than two."""
    row = _common_columns(measure, sessions, len(values), target) | {"share": False}
    finite = [value for value in values if np.isfinite(value)]
    if len(finite) < 2:
        return row
    sd, mean = float(np.std(finite)) / (len(finite) - 1) ** 0.5, float(np.mean(finite))
    lo, hi = mean - Z95 * sd, mean + Z95 * sd
    return row | {"value": mean, "lo": lo, "hi": hi, "met": target.is_met(lo, hi)}


def root_mean_row(measure: str, sessions: int, squares: list[float], maximum: float) -> dict[str, Any]:
    """The root of a mean of squares and of its limits."""
    target = MeasureTarget(maximum=maximum, share=False)
    row = mean_row(measure, sessions, squares, target)
    if "value" not in row:
        return row
    lo, value, hi = (float(np.sqrt(max(row[name], 0.0))) for name in ("lo", "value", "hi"))
    return row | {"lo": lo, "value": value, "hi": hi, "met": target.is_met(lo, hi)}


def target_at_size(sessions: int, targets: tuple[float, ...]) -> float:
    """The target of the largest of `SIZES` that a workshop reaches; NaN below the first."""
    reached = [target for size, target in zip(SIZES, targets, strict=True) if sessions >= size]
    return reached[-1] if reached else float("nan")


def _common_columns(measure: str, sessions: int, workshops: int, target: MeasureTarget) -> dict[str, Any]:
    least, most = (limit if np.isfinite(limit) else None for limit in (target.minimum, target.maximum))
    return {
        "measure": measure,
        "sessions": sessions,
        "workshops": workshops,
        "aim": target.text,
        "target_min": least,
        "target_max": most,
    }


@dataclass(frozen=True)
class MeasureOutcome:
    """Whether the outcome that a measure counts happened in one workshop."""

    measure: str
    true: bool


def group_outcomes(name: str, workshop: Workshop, data: BleedData, rng: np.random.Generator) -> list[MeasureOutcome]:
    """Outcomes of one workshop of `GROUP_FAMILIES`."""
    if name in CALENDARS:
        months = monthly_rates(data, expected_risk(data, rng), rng)
        signal = months.get_column("signal").is_in(["high", "low"]).any()
        return [
            MeasureOutcome(CALENDAR_CHANGE, bool(months.get_column("change_began").any())),
            MeasureOutcome(CALENDAR_SIGNAL, bool(signal)),
        ]
    kind = FEW_GROUPS.get(name) or ("technician" if name == ONE_OF_FIVE else "shop")
    table = rates(data, rng).filter(pl.col("kind") == kind)
    signals = dict(table.filter(pl.col("signal").is_in(["high", "low"])).select("group", "signal").iter_rows())
    if name in FEW_GROUPS:
        covered = table.select((pl.col("ratio_lo") <= 1) & (pl.col("ratio_hi") >= 1)).to_series().drop_nulls()
        return [MeasureOutcome(FEW_SIGNALLED, bool(signals)), *(MeasureOutcome(FEW_HELD, one) for one in covered)]
    if name in GAPS:
        shop = workshop.returns_written[0].shop
        return [MeasureOutcome(GAP_JUDGED, bool(signals)), MeasureOutcome(GAP_ASKED, shop in data.in_question)]
    if name == ONE_OF_THREE:
        return [MeasureOutcome(SHOP_MISTAKEN, bool(signals.keys() - {workshop.changes[0].shop}))]
    worse = max(workshop.habits, key=lambda habit: habit.skill or 0.0).technician
    return [
        MeasureOutcome(ONE_FOUND, signals.get(worse) == "high"),
        MeasureOutcome(ONE_MISTAKEN, bool(signals.keys() - {worse})),
    ]


def step_outcomes(name: str, data: BleedData, truth: pl.DataFrame, rng: np.random.Generator) -> list[MeasureOutcome]:
    """Outcomes of one workshop of `STEP_FAMILIES`; `truth` has step and preventable_per_100."""
    costs = step_costs(data, rng)
    if costs.unseen is None:
        return []
    table = costs.table.drop_nulls("lo").join(truth.select("step", truth="preventable_per_100"), on="step")
    covered = table.select("step", inside=pl.col("truth").is_between("lo", "hi"), negative=pl.col("hi") < 0)
    called = bool((costs.table.get_column("verdict") == "costs_comebacks").any())
    if name == STOPS:
        return [MeasureOutcome(TOTAL_COVERED, inside) for inside in covered.get_column("inside")]
    if name in (SKIPS, SKIPS_HARMLESS):
        passes = covered.filter(pl.col("step") == PASSES).iter_rows(named=True)
        return [
            fact
            for row in passes
            for fact in (MeasureOutcome(PASSES_COVERED, row["inside"]), MeasureOutcome(PASSES_PRAISED, row["negative"]))
        ]
    if name == UNSEEN:
        return [MeasureOutcome(UNSEEN_COSTS, called), MeasureOutcome(UNSEEN_FOUND, costs.unseen.suspected)]
    assert name == RECORDED_LATE
    return [MeasureOutcome(LATE_COSTS, called), MeasureOutcome(LATE_FOUND, costs.unseen.retro.is_significant)]


def false_confounder_outcomes(costs: StepCosts) -> list[MeasureOutcome]:
    """Whether an unmeasured confounder is suspected where there is none."""
    return [] if costs.unseen is None else [MeasureOutcome(UNSEEN_INVENTED, costs.unseen.suspected)]


def false_curve_outcomes(data: BleedData, costs: StepCosts) -> list[MeasureOutcome]:
    """Whether any tolerance curve is called clear."""
    curves = dose_response_curves(dose_response_inputs(data, costs.design, costs.return_model))
    return (
        [MeasureOutcome(CURVE_INVENTED, bool((curves.get_column("q_value") <= CLEAR_Q).any()))] if curves.height else []
    )


def people_outcomes(name: str, log: Log, data: BleedData, rng: np.random.Generator) -> list[MeasureOutcome]:
    """Outcomes of one workshop of `PEOPLE_FAMILIES`; one per coaching where some were coached."""
    if name == THREE_EQUAL:
        table = technique_table(data, empty(Steps))
        return [MeasureOutcome(EQUAL_NAMED, not table.filter("clear", pl.col("excess") > 0).is_empty())]
    if name in (COACHED_FUTILE, COACHED_WORKS):
        effects = coaching_effects(data, log.coaching).drop_nulls("change")
        measure = IMPROVEMENT_INVENTED if name == COACHED_FUTILE else IMPROVEMENT_FOUND
        return [
            MeasureOutcome(measure, one) for one in effects.select(pl.col("clear") & (pl.col("change") < 0)).to_series()
        ]
    p_value = trials(data, rng).get_column("p_value").drop_nulls().item()
    return [MeasureOutcome(DIFFERENCE_FOUND if name == TRIAL_WORKS else DIFFERENCE_INVENTED, p_value <= 0.05)]


@dataclass(frozen=True)
class LastBleedPredictions:
    """The last 30% of the bleeds, predicted by models fitted to what was known the day before the first of them:
    session_id, the risk, and the risk by gradient-boosted trees with default settings."""

    bleeds: pl.Series
    risk: FloatArray = field(repr=False)
    by_trees: FloatArray = field(repr=False)


def predict_last_bleeds(log: Log, data: BleedData, fitted: BleedData) -> LastBleedPredictions | None:
    """Predict the last 30% of the bleeds; None where too few had come back by then."""
    bleeds = backtest_bleeds(log, data, fitted, build_history(data.bleeds, data.window_days))
    first = int(np.sort(bleeds.day)[int(TRAINING_SHARE * len(bleeds.day))])
    if bleeds.known_before(first)[1].returned.sum() < MIN_RETURNS:
        return None
    rows = bleeds.between(first, int(bleeds.day.max()) + 1)
    ours = make_risk_pipeline(data.standard, window_days=data.window_days)["classifier"]
    risk, by_trees = (
        classifier.fit(*bleeds.training_before(first)).predict_proba(bleeds.features[rows])[:, 1]
        for classifier in (ours, baselines(data.window_days)[TREES])
    )
    return LastBleedPredictions(data.bleeds.get_column("session_id").gather(rows), risk, by_trees)


def risk_figures(last: LastBleedPredictions, truth: FloatArray, foreseeable: FloatArray) -> dict[str, float]:
    """Shares of the true risk's gain in log loss over a constant, with the true risk as the expected outcome; the
    calibration slope; and comebacks per 100 in the tenth of the bleeds with the highest predicted and true risks."""
    return {
        SHARE: share_of_gain(last.risk, truth),
        TREES: share_of_gain(last.by_trees, truth),
        BAYES_LIMIT: share_of_gain(foreseeable, truth),
        SLOPE: float(calibration_line(log_odds_of(last.risk), truth).slope),
        CAUGHT: _share_caught(last.risk, truth),
        MAX_CAUGHT: _share_caught(truth, truth),
    }


def risk_rows(by_family: dict[str, list[dict[str, float]]], sessions: int) -> list[dict[str, Any]]:
    """Rows of the validation: figures by family, and of all families."""
    rows = []
    for name, figures in by_family.items():
        target = (
            MeasureTarget(minimum=target_at_size(sessions, SHARES), share=False)
            if name in PLAIN
            else MeasureTarget(share=False)
        )
        row = mean_row(
            f"risk, share of the true risk's reduction in log loss: {name}",
            sessions,
            _collect_figure(figures, SHARE),
            target,
        )
        rows.append(row | _bayes_limit(figures, BAYES_LIMIT))
        trees = mean_row(
            f"the same for gradient-boosted trees (default settings): {name}",
            sessions,
            _collect_figure(figures, TREES),
            MeasureTarget(),
        )
        rows.append(trees | _bayes_limit(figures, BAYES_LIMIT))
    every = [one for figures in by_family.values() for one in figures]
    slope = MeasureTarget(0.9, 1.1, share=False) if sessions >= 3_000 else MeasureTarget()
    rows.append(mean_row("risk, calibration slope", sessions, _collect_figure(every, SLOPE), slope))
    caught = mean_row(
        "comebacks per 100 among the riskiest tenth",
        sessions,
        _collect_figure(every, CAUGHT),
        MeasureTarget(minimum=30, share=False),
    )
    return [*rows, caught | _bayes_limit(every, MAX_CAUGHT)]


def _collect_figure(figures: list[dict[str, float]], name: str) -> list[float]:
    return [one[name] for one in figures]


def _bayes_limit(figures: list[dict[str, float]], name: str) -> dict[str, float]:
    return {"upper_bound": float(np.mean(_collect_figure(figures, name)))} if figures else {}


def _expected_log_loss(risk: FloatArray, truth: FloatArray) -> float:
    return -float((truth * np.log(risk) + (1 - truth) * np.log1p(-risk)).mean())


def share_of_gain(risk: FloatArray, truth: FloatArray) -> float:
    """Share of the true risks' gain in log loss over a constant that these risks have."""
    constant = _expected_log_loss(np.full(len(truth), truth.mean()), truth)
    return (constant - _expected_log_loss(risk, truth)) / (constant - _expected_log_loss(truth, truth))


def _share_caught(risk: FloatArray, truth: FloatArray) -> float:
    riskiest = np.argsort(-risk, kind="stable")[: max(round(LIST_SHARE * len(risk)), 1)]
    return float(100 * truth[riskiest].sum() / truth.sum())
