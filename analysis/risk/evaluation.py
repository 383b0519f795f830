"""Quality of the out-of-time risks: discrimination, calibration, gain over other classifiers, benefit of acting on them,
change over time, and fairness to groups.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.risk.calibration import calibration_line, logit
from analysis.risk.group_spread import between_group_sd
from analysis.risk.outcome import log_loss
from analysis.stats import Z95, clustered_standard_error, exact_poisson_limits, student_quantile, wilson
from schemas import empty, validate_table
from schemas.outputs import ModelQuality

FloatArray = NDArray[np.float64]
MIN_COMEBACKS = 10
IDEAL, CHECK_ALL = "ideal", "a check of every bleed"
THRESHOLDS = (0.02, 0.05, 0.1, 0.2, 0.3)
"""Risks at which the net benefit is given."""
DECILES = 10


@dataclass(frozen=True)
class TestSet:
    """Out-of-time risks of n bleeds with known outcome: their rows among all bleeds, risk, risks by the classifiers it is compared with (the first is a
    constant), outcome, and bike, quarter, month, technician and brake model.
    """

    rows: NDArray[np.intp] = field(repr=False)
    risk: FloatArray
    baselines: dict[str, FloatArray] = field(repr=False)
    came_back: NDArray[np.bool_]
    bike: NDArray[np.int64]
    quarter: NDArray[np.str_]
    month: NDArray[np.str_]
    technician: NDArray[np.int64]
    brake_model: NDArray[np.int64]


def model_quality(test: TestSet) -> DataFrame[ModelQuality]:
    """Quality figures of the model with limits; empty with fewer than 10 comebacks.

    Parameters
    ----------
    test
        Out-of-time risks and outcomes.

    Returns
    -------
    DataFrame[ModelQuality]
        Sorted by metric and baseline_name. Limits of means, of auc and average_precision and of calibration slope and
        intercept are clustered by bike; those of observed counts (overall, tenths) take bleeds as independent. Those of
        the quarters hold for all quarters together (Bonferroni) and allow for months that vary within them.
    """
    if test.came_back.sum() < MIN_COMEBACKS or test.came_back.all():
        return empty(ModelQuality)
    rows = [
        _quality_row("bleeds_predicted", len(test.risk), None, None, int(test.came_back.sum()), "comebacks among them")
    ]
    rows += [
        *_discrimination_rows(test),
        *_score_rows(test),
        *_net_benefit_rows(test),
        *_calibration_rows(test),
        *_decile_rows(test),
        *_quarter_rows(test),
    ]
    for name, group in (("spread_technicians", test.technician), ("spread_brake_models", test.brake_model)):
        between_groups = between_group_sd(test.risk, test.came_back, group)
        if between_groups is not None:
            rows.append(_quality_row(name, between_groups.sd, between_groups.lo, between_groups.hi, 0.0, IDEAL))
    table = pl.DataFrame(rows, schema=empty(ModelQuality).schema, orient="row")
    return validate_table(ModelQuality, table.sort("metric", "baseline_name"))


Number = float | FloatArray
Row = tuple[str, float | None, float | None, float | None, float | None, str]


def _quality_row(
    metric: str, value: Number, lo: Number | None, hi: Number | None, baseline: Number | None, baseline_name: str
) -> Row:
    figures = [None if x is None or not np.isfinite(x) else float(x) for x in (value, lo, hi, baseline)]
    return (metric, *figures, baseline_name)  # type: ignore[return-value]


def _discrimination_rows(test: TestSet) -> list[Row]:
    rows = []
    for metric, measure in (("auc", auc), ("average_precision", average_precision)):
        estimate = measure(test.risk, test.came_back)
        lo, hi = estimate.limits(test.bike)
        for name, baseline in test.baselines.items():
            rows.append(_quality_row(metric, estimate.value, lo, hi, measure(baseline, test.came_back).value, name))
    return rows


def _score_rows(test: TestSet) -> list[Row]:
    """Brier skill against the rate known at the time, mean log loss, and the log loss saved against each other
    classifier, bleed by bleed.
    """
    constant = _brier(next(iter(test.baselines.values())), test.came_back)
    brier, loss = _brier(test.risk, test.came_back), log_loss(test.risk, test.came_back)
    skill = 1 - brier.mean() / constant.mean()
    skill_limits = _mean_limits(skill, (brier - (1 - skill) * constant) / constant.mean(), test.bike)
    loss_limits = _mean_limits(loss.mean(), loss - loss.mean(), test.bike)
    rows = []
    for name, baseline in test.baselines.items():
        baseline_skill = 1 - _brier(baseline, test.came_back).mean() / constant.mean()
        baseline_loss = log_loss(baseline, test.came_back)
        gain = (baseline_loss - loss).mean()
        rows += [
            _quality_row("brier_skill", skill, *skill_limits, baseline_skill, name),
            _quality_row("log_loss", loss.mean(), *loss_limits, baseline_loss.mean(), name),
            _quality_row("log_loss_gain", gain, *_mean_limits(gain, baseline_loss - loss - gain, test.bike), 0, name),
        ]
    return rows


def _net_benefit_rows(test: TestSet) -> list[Row]:
    """Net benefit per bleed of checking those at or above a risk, against checking all (the decision curve)."""
    rows = []
    for threshold in THRESHOLDS:
        benefit = net_benefit_by_bleed(test.risk, test.came_back, threshold)
        check_all = net_benefit_by_bleed(np.ones_like(test.risk), test.came_back, threshold)
        limits = _mean_limits(benefit.mean(), benefit - benefit.mean(), test.bike)
        rows.append(
            _quality_row(
                f"net_benefit_at_{100 * threshold:02.0f}", benefit.mean(), *limits, check_all.mean(), CHECK_ALL
            )
        )
    return rows


def net_benefit_by_bleed(risk: FloatArray, came_back: NDArray[np.bool_], threshold: float) -> FloatArray:
    """Net benefit of each bleed (n) if those whose risk reaches the threshold are checked."""
    return np.where(risk >= threshold, np.where(came_back, 1.0, -threshold / (1 - threshold)), 0.0)


def _mean_limits(value: float, deviations: FloatArray, bike: NDArray[np.int64]) -> tuple[float, float]:
    """95% limits of a mean, clustered by bike."""
    half_width = Z95 * clustered_standard_error(deviations, bike) / len(bike)
    return value - half_width, value + half_width


def _calibration_rows(test: TestSet) -> list[Row]:
    line = calibration_line(logit(test.risk), test.came_back, test.bike)
    comebacks = int(test.came_back.sum())
    expected = float(test.risk.sum())
    limits = exact_poisson_limits(comebacks)
    parts = brier_parts(test.risk, test.came_back)
    return [
        _quality_row("calibration_slope", line.slope, line.slope - Z95 * line.slope_se, line.slope + Z95 * line.slope_se, 1, IDEAL),
        _quality_row("calibration_intercept", line.in_the_large, line.in_the_large - Z95 * line.in_the_large_se, line.in_the_large + Z95 * line.in_the_large_se, 0, IDEAL),
        _quality_row("observed_over_expected", comebacks / expected, limits.lo / expected, limits.hi / expected, 1, IDEAL),
        _quality_row("brier_reliability", parts.reliability, None, None, parts.resolution, "resolution"),
    ]  # fmt: skip


def _decile_rows(test: TestSet) -> list[Row]:
    rows = []
    for number, part in enumerate(np.array_split(np.argsort(test.risk, kind="stable"), DECILES), 1):
        if len(part):
            comebacks = int(test.came_back[part].sum())
            limits = wilson(comebacks, len(part))
            name = f"observed_in_tenth_{number:02d}"
            rows.append(
                _quality_row(
                    name,
                    comebacks / len(part),
                    float(limits.lo),
                    float(limits.hi),
                    test.risk[part].mean(),
                    "predicted risk",
                )
            )
    return rows


def _quarter_rows(test: TestSet) -> list[Row]:
    rows, quarters = [], np.unique(test.quarter)
    level = 1 - 0.05 / len(quarters)
    dispersion = _month_dispersion(test, level)
    for quarter in quarters:
        in_quarter = test.quarter == quarter
        comebacks, expected = int(test.came_back[in_quarter].sum()), float(test.risk[in_quarter].sum())
        limits = exact_poisson_limits(comebacks / dispersion, level)
        lo, hi = (limit * dispersion / expected for limit in (limits.lo, limits.hi))
        rows.append(_quality_row(f"quarter_{quarter}", comebacks / expected, lo, hi, 1, IDEAL))
    return rows


def _month_dispersion(test: TestSet, level: float) -> float:
    """Pearson dispersion of observed / predicted comebacks between the months of a quarter, at least 1.

    Above 1 it is widened from the normal to Student's quantile at this level, because it is estimated.
    """
    by_month = pl.DataFrame({"quarter": test.quarter, "month": test.month, "o": test.came_back, "e": test.risk})
    by_month = (
        by_month.group_by("quarter", "month", maintain_order=True).agg(pl.col("o", "e").sum()).sort("quarter", "month")
    )
    ratio = (pl.col("o").sum() / pl.col("e").sum()).over("quarter")
    months = by_month.with_columns(e=pl.col("e") * ratio).filter(pl.col("e") > 0)
    degrees_of_freedom = months.height - months.n_unique("quarter")
    if degrees_of_freedom < 1:
        return 1.0
    total: float = months.select(((pl.col("o") - pl.col("e")) ** 2 / pl.col("e")).sum()).item()
    if total <= degrees_of_freedom:
        return 1.0
    tail = 0.5 + level / 2
    widening = student_quantile(tail, degrees_of_freedom) / NormalDist().inv_cdf(tail)
    return total / degrees_of_freedom * widening**2


@dataclass(frozen=True)
class BrierParts:
    """Murphy's decomposition: Brier score = reliability − resolution + uncertainty (risks averaged within bins)."""

    reliability: float
    resolution: float
    uncertainty: float


def brier_parts(
    risk: FloatArray, came_back: NDArray[np.float64] | NDArray[np.bool_], bins: int = DECILES
) -> BrierParts:
    """Decompose the Brier score over bins of equal size.

    Source: A. H. Murphy 1973, J. Appl. Meteorol. 12:595-600.
    """
    parts = [part for part in np.array_split(np.argsort(risk, kind="stable"), bins) if len(part)]
    weight = np.array([len(part) for part in parts]) / len(risk)
    predicted, observed = (
        np.array([x[part].mean() for part in parts]) for x in (risk, np.asarray(came_back, dtype=float))
    )
    return brier_parts_of_bins(predicted, observed, weight)


def brier_parts_of_bins(predicted: FloatArray, observed: FloatArray, weight: FloatArray) -> BrierParts:
    """Decompose from bins: mean forecast, observed rate and share of all forecasts."""
    rate = float(weight @ observed)
    return BrierParts(
        float(weight @ (predicted - observed) ** 2), float(weight @ (observed - rate) ** 2), rate * (1 - rate)
    )


def _brier(risk: FloatArray, came_back: NDArray[np.bool_]) -> FloatArray:
    return np.asarray((risk - came_back) ** 2)


@dataclass(frozen=True)
class Discrimination:
    """A measure between 0 and 1, and its influence value for each bleed (derivative in the bleed's weight; they sum
    to 0).
    """

    value: float
    influence_values: FloatArray = field(repr=False)

    def limits(self, bike: NDArray[np.int64]) -> tuple[float, float]:
        """95% limits by the infinitesimal jackknife over bikes, on the logit scale; NaN where the value is 0 or 1.

        For the AUC with one bleed per bike this is the variance of E. R. DeLong, D. M. DeLong & D. L. Clarke-Pearson
        1988, Biometrics 44:837-845, except for its divisor.
        """
        if not 0 < self.value < 1:
            return float("nan"), float("nan")
        sd = clustered_standard_error(self.influence_values, bike)
        logit_value = np.log(self.value / (1 - self.value))
        half_width = Z95 * sd / (self.value * (1 - self.value))
        return float(1 / (1 + np.exp(half_width - logit_value))), float(1 / (1 + np.exp(-half_width - logit_value)))


@dataclass(frozen=True)
class _RiskLevels:
    """Distinct risks from the highest down: comebacks and others at each, and the level of each bleed."""

    comebacks: FloatArray
    others: FloatArray
    level: NDArray[np.int64]


def auc(risk: FloatArray, came_back: NDArray[np.bool_]) -> Discrimination:
    """Probability that a bleed that came back had a higher risk than one that did not; ties count half."""
    levels = _risk_levels(risk, came_back)
    share_above = (np.cumsum(levels.comebacks) - levels.comebacks / 2) / levels.comebacks.sum()
    share_below = 1 - (np.cumsum(levels.others) - levels.others / 2) / levels.others.sum()
    value = float(levels.others @ share_above) / levels.others.sum()
    influence = np.where(
        came_back,
        (share_below[levels.level] - value) / levels.comebacks.sum(),
        (share_above[levels.level] - value) / levels.others.sum(),
    )
    return Discrimination(value, influence)


def average_precision(risk: FloatArray, came_back: NDArray[np.bool_]) -> Discrimination:
    """Precision averaged over the comebacks, from the highest risk down."""
    levels = _risk_levels(risk, came_back)
    comebacks_found, bleeds_listed = np.cumsum(levels.comebacks), np.cumsum(levels.comebacks + levels.others)
    comebacks = comebacks_found[-1]
    value = float(levels.comebacks @ (comebacks_found / bleeds_listed)) / comebacks
    by_comebacks, by_listed = (
        _reverse_cumsum(levels.comebacks * part / bleeds_listed**2) for part in (bleeds_listed, comebacks_found)
    )
    influence = -by_listed[levels.level]
    influence += np.where(came_back, (comebacks_found / bleeds_listed + by_comebacks)[levels.level] - value, 0.0)
    return Discrimination(value, influence / comebacks)


def _risk_levels(risk: FloatArray, came_back: NDArray[np.bool_]) -> _RiskLevels:
    levels, level = np.unique(-risk, return_inverse=True)
    totals, comebacks = np.zeros(len(levels)), np.zeros(len(levels))
    np.add.at(totals, level, 1.0)
    np.add.at(comebacks, level[came_back], 1.0)
    return _RiskLevels(comebacks, totals - comebacks, level)


def _reverse_cumsum(values: FloatArray) -> FloatArray:
    return values[::-1].cumsum()[::-1]
