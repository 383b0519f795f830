"""How good the out-of-time risks are: apart, calibrated, against simple rules, over time, and fair to groups."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.risk.baselines import NAMES
from analysis.risk.calibration import calibration_line, odds
from analysis.risk.discrimination import auc, average_precision
from analysis.risk.fairness import between_group_sd
from analysis.stats import Z95, clustered_standard_error, exact_poisson_limits, wilson
from schemas import empty, validate_table
from schemas.outputs import ModelQuality

FloatArray = NDArray[np.float64]
MIN_COMEBACKS = 10
RIGHT = "right"
TENTHS = 10


@dataclass(frozen=True)
class TestSet:
    """Out-of-time risks of bleeds whose outcome is known: risk, the rivals' risks (a column each; NaN where a rival was not
    asked), whether it came back, and the bike, quarter, technician and brake model of each (numbers but for the quarter)."""

    risk: FloatArray
    baselines: FloatArray = field(repr=False)
    came_back: NDArray[np.bool_]
    bike: NDArray[np.int64]
    quarter: NDArray[np.str_]
    technician: NDArray[np.int64]
    brake_model: NDArray[np.int64]

    def has_baseline(self, baseline: int) -> NDArray[np.bool_]:
        """Which of the bleeds a rival was asked about."""
        return np.isfinite(self.baselines[:, baseline])


def model_quality(test: TestSet) -> DataFrame[ModelQuality]:
    """The figures of the model, each with limits; empty with fewer than 10 comebacks among the foretold.

    Parameters
    ----------
    test
        Out-of-time risks and outcomes.

    Returns
    -------
    DataFrame[ModelQuality]
        Sorted by metric and against. Limits of means, of auc and average_precision and of the calibration's slope and
        intercept are clustered by bike; those of observed counts (in all, in tenths, by quarter) take bleeds as
        independent.
    """
    if test.came_back.sum() < MIN_COMEBACKS or test.came_back.all():
        return empty(ModelQuality)
    rows = [_row("bleeds_foretold", len(test.risk), None, None, int(test.came_back.sum()), "comebacks among them")]
    rows += [
        *_discrimination_rows(test),
        *_score_rows(test),
        *_calibration_rows(test),
        *_decile_rows(test),
        *_quarter_rows(test),
    ]
    for name, group in (("spread_technicians", test.technician), ("spread_brake_models", test.brake_model)):
        between_groups = between_group_sd(test.risk, test.came_back, group)
        if between_groups is not None:
            rows.append(_row(name, between_groups.sd, between_groups.lo, between_groups.hi, 0.0, RIGHT))
    table = pl.DataFrame(rows, schema=empty(ModelQuality).schema, orient="row")
    return validate_table(ModelQuality, table.sort("metric", "baseline_name"))


Number = float | FloatArray
Row = tuple[str, float | None, float | None, float | None, float | None, str]


def _row(
    metric: str, value: Number, lo: Number | None, hi: Number | None, baseline: Number | None, baseline_name: str
) -> Row:
    whole = [None if x is None or not np.isfinite(x) else float(x) for x in (value, lo, hi, baseline)]
    return (metric, *whole, baseline_name)  # type: ignore[return-value]


def _discrimination_rows(test: TestSet) -> list[Row]:
    rows = []
    for metric, of in (("auc", auc), ("average_precision", average_precision)):
        estimate = of(test.risk, test.came_back)
        lo, hi = estimate.limits(test.bike)
        rows += [
            _row(metric, estimate.value, lo, hi, of(test.baselines[own, place], test.came_back[own]).value, name)
            for place, name in enumerate(NAMES)
            for own in [test.has_baseline(place)]
        ]
    return rows


def _score_rows(test: TestSet) -> list[Row]:
    """Brier skill against the rate known at the time, and log loss a bleed, beside the rivals'."""
    constant = _brier(test.baselines[:, 0], test.came_back)
    brier, loss = _brier(test.risk, test.came_back), log_loss(test.risk, test.came_back)
    skill = 1 - brier.mean() / constant.mean()
    skill_se = clustered_standard_error((brier - (1 - skill) * constant) / constant.mean(), test.bike) / len(test.risk)
    loss_se = clustered_standard_error(loss - loss.mean(), test.bike) / len(test.risk)
    rows = []
    for place, name in enumerate(NAMES):
        own = test.has_baseline(place)
        rival, came_back = test.baselines[own, place], test.came_back[own]
        baseline_skill = 1 - _brier(rival, came_back).mean() / constant[own].mean()
        rows.append(_row("brier_skill", skill, skill - Z95 * skill_se, skill + Z95 * skill_se, baseline_skill, name))
        other = log_loss(rival, came_back).mean()
        rows.append(
            _row("log_loss", loss.mean(), loss.mean() - Z95 * loss_se, loss.mean() + Z95 * loss_se, other, name)
        )
    return rows


def _calibration_rows(test: TestSet) -> list[Row]:
    line = calibration_line(odds(test.risk), test.came_back, test.bike)
    comebacks = int(test.came_back.sum())
    expected = float(test.risk.sum())
    limits = exact_poisson_limits(comebacks)
    parts = brier_parts(test.risk, test.came_back)
    return [
        _row("calibration_slope", line.slope, line.slope - Z95 * line.slope_se, line.slope + Z95 * line.slope_se, 1, RIGHT),
        _row("calibration_intercept", line.large, line.large - Z95 * line.large_se, line.large + Z95 * line.large_se, 0, RIGHT),
        _row("observed_over_expected", comebacks / expected, limits.lo / expected, limits.hi / expected, 1, RIGHT),
        _row("brier_reliability", parts.reliability, None, None, parts.resolution, "resolution"),
    ]  # fmt: skip


def _decile_rows(test: TestSet) -> list[Row]:
    rows = []
    for number, part in enumerate(np.array_split(np.argsort(test.risk, kind="stable"), TENTHS), 1):
        if len(part):
            comebacks = int(test.came_back[part].sum())
            limits = wilson(comebacks, len(part))
            name = f"observed_in_tenth_{number:02d}"
            rows.append(
                _row(
                    name, comebacks / len(part), float(limits.lo), float(limits.hi), test.risk[part].mean(), "risk told"
                )
            )
    return rows


def _quarter_rows(test: TestSet) -> list[Row]:
    rows = []
    for quarter in np.unique(test.quarter):
        in_quarter = test.quarter == quarter
        comebacks, expected = int(test.came_back[in_quarter].sum()), float(test.risk[in_quarter].sum())
        limits = exact_poisson_limits(comebacks)
        rows.append(
            _row(f"quarter_{quarter}", comebacks / expected, limits.lo / expected, limits.hi / expected, 1, RIGHT)
        )
    return rows


@dataclass(frozen=True)
class BrierParts:
    """Murphy's parts: Brier = reliability − resolution + uncertainty (of risks averaged within their bins)."""

    reliability: float
    resolution: float
    uncertainty: float


def brier_parts(risk: FloatArray, came_back: NDArray[np.float64] | NDArray[np.bool_], bins: int = TENTHS) -> BrierParts:
    """The decomposition of the Brier score over bins of equal size.

    Source: A. H. Murphy 1973, J. Appl. Meteorol. 12:595-600.
    """
    parts = [part for part in np.array_split(np.argsort(risk, kind="stable"), bins) if len(part)]
    weight = np.array([len(part) for part in parts]) / len(risk)
    predicted, observed = (
        np.array([x[part].mean() for part in parts]) for x in (risk, np.asarray(came_back, dtype=float))
    )
    return brier_parts_of_bins(predicted, observed, weight)


def brier_parts_of_bins(predicted: FloatArray, observed: FloatArray, weight: FloatArray) -> BrierParts:
    """The same from bins: mean forecast, share that came, share of all forecasts."""
    rate = float(weight @ observed)
    return BrierParts(
        float(weight @ (predicted - observed) ** 2), float(weight @ (observed - rate) ** 2), rate * (1 - rate)
    )


def log_loss(risk: FloatArray, came_back: NDArray[np.bool_]) -> FloatArray:
    """One a bleed."""
    return -np.where(came_back, np.log(risk), np.log1p(-risk))


def _brier(risk: FloatArray, came_back: NDArray[np.bool_]) -> FloatArray:
    return np.asarray((risk - came_back) ** 2)
