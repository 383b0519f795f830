"""How good the out-of-time risks are: apart, calibrated, against simple rules, over time, and fair to groups."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.risk.calibration import calibration_line, odds
from analysis.risk.discrimination import auc, average_precision
from analysis.risk.fairness import spread
from analysis.risk.rivals import NAMES
from analysis.stats import Z95, clustered_sd, exact_poisson_limits, wilson
from schemas import checked, empty
from schemas.outputs import ModelQuality

Numbers = NDArray[np.float64]
LEAST_COMEBACKS = 10
RIGHT = "right"
TENTHS = 10


@dataclass(frozen=True)
class Held:
    """Out-of-time risks of bleeds whose outcome is known: risk, the rivals' risks (a column each; NaN where a rival was not
    asked), whether it came back, and the bike, quarter, technician and brake model of each (numbers but for the quarter)."""

    risk: Numbers
    rivals: Numbers = field(repr=False)
    came_back: NDArray[np.bool_]
    bike: NDArray[np.int64]
    quarter: NDArray[np.str_]
    technician: NDArray[np.int64]
    brake_model: NDArray[np.int64]

    def asked(self, place: int) -> NDArray[np.bool_]:
        """Which of the bleeds a rival was asked about."""
        return np.isfinite(self.rivals[:, place])


def model_quality(held: Held) -> DataFrame[ModelQuality]:
    """The figures of the model, each with limits; empty with fewer than 10 comebacks among the foretold.

    Parameters
    ----------
    held
        Out-of-time risks and outcomes.

    Returns
    -------
    DataFrame[ModelQuality]
        Sorted by metric and against. Limits of means, of auc and average_precision and of the calibration's slope and
        intercept are clustered by bike; those of observed counts (in all, in tenths, by quarter) take bleeds as
        independent.
    """
    if held.came_back.sum() < LEAST_COMEBACKS or held.came_back.all():
        return empty(ModelQuality)
    rows = [_row("bleeds_foretold", len(held.risk), None, None, int(held.came_back.sum()), "comebacks among them")]
    rows += [*_apart(held), *_scores(held), *_calibration(held), *_tenths(held), *_quarters(held)]
    for name, group in (("spread_technicians", held.technician), ("spread_brake_models", held.brake_model)):
        told = spread(held.risk, held.came_back, group)
        if told is not None:
            rows.append(_row(name, told.sd, told.lo, told.hi, 0.0, RIGHT))
    table = pl.DataFrame(rows, schema=empty(ModelQuality).schema, orient="row")
    return checked(ModelQuality, table.sort("metric", "against"))


Number = float | Numbers
Row = tuple[str, float | None, float | None, float | None, float | None, str]


def _row(
    metric: str, value: Number, lo: Number | None, hi: Number | None, baseline: Number | None, against: str
) -> Row:
    whole = [None if x is None or not np.isfinite(x) else float(x) for x in (value, lo, hi, baseline)]
    return (metric, *whole, against)  # type: ignore[return-value]


def _apart(held: Held) -> list[Row]:
    rows = []
    for metric, of in (("auc", auc), ("average_precision", average_precision)):
        told = of(held.risk, held.came_back)
        lo, hi = told.limits(held.bike)
        rows += [
            _row(metric, told.value, lo, hi, of(held.rivals[own, place], held.came_back[own]).value, name)
            for place, name in enumerate(NAMES)
            for own in [held.asked(place)]
        ]
    return rows


def _scores(held: Held) -> list[Row]:
    """Brier skill against the rate known at the time, and log loss a bleed, beside the rivals'."""
    constant = _brier(held.rivals[:, 0], held.came_back)
    mine, loss = _brier(held.risk, held.came_back), log_loss(held.risk, held.came_back)
    skill = 1 - mine.mean() / constant.mean()
    skill_se = clustered_sd((mine - (1 - skill) * constant) / constant.mean(), held.bike) / len(held.risk)
    loss_se = clustered_sd(loss - loss.mean(), held.bike) / len(held.risk)
    rows = []
    for place, name in enumerate(NAMES):
        own = held.asked(place)
        rival, came_back = held.rivals[own, place], held.came_back[own]
        beside = 1 - _brier(rival, came_back).mean() / constant[own].mean()
        rows.append(_row("brier_skill", skill, skill - Z95 * skill_se, skill + Z95 * skill_se, beside, name))
        other = log_loss(rival, came_back).mean()
        rows.append(
            _row("log_loss", loss.mean(), loss.mean() - Z95 * loss_se, loss.mean() + Z95 * loss_se, other, name)
        )
    return rows


def _calibration(held: Held) -> list[Row]:
    line = calibration_line(odds(held.risk), held.came_back, held.bike)
    came = int(held.came_back.sum())
    expected = float(held.risk.sum())
    limits = exact_poisson_limits(came)
    parts = brier_parts(held.risk, held.came_back)
    return [
        _row("calibration_slope", line.slope, line.slope - Z95 * line.slope_se, line.slope + Z95 * line.slope_se, 1, RIGHT),
        _row("calibration_intercept", line.large, line.large - Z95 * line.large_se, line.large + Z95 * line.large_se, 0, RIGHT),
        _row("observed_over_expected", came / expected, limits.lo / expected, limits.hi / expected, 1, RIGHT),
        _row("brier_reliability", parts.reliability, None, None, parts.resolution, "resolution"),
    ]  # fmt: skip


def _tenths(held: Held) -> list[Row]:
    rows = []
    for number, part in enumerate(np.array_split(np.argsort(held.risk, kind="stable"), TENTHS), 1):
        if len(part):
            came = int(held.came_back[part].sum())
            limits = wilson(came, len(part))
            name = f"observed_in_tenth_{number:02d}"
            rows.append(
                _row(name, came / len(part), float(limits.lo), float(limits.hi), held.risk[part].mean(), "risk told")
            )
    return rows


def _quarters(held: Held) -> list[Row]:
    rows = []
    for quarter in np.unique(held.quarter):
        mine = held.quarter == quarter
        came, expected = int(held.came_back[mine].sum()), float(held.risk[mine].sum())
        limits = exact_poisson_limits(came)
        rows.append(_row(f"quarter_{quarter}", came / expected, limits.lo / expected, limits.hi / expected, 1, RIGHT))
    return rows


@dataclass(frozen=True)
class BrierParts:
    """Murphy's parts: Brier = reliability − resolution + uncertainty (of risks averaged within their bins)."""

    reliability: float
    resolution: float
    uncertainty: float


def brier_parts(risk: Numbers, came_back: NDArray[np.float64] | NDArray[np.bool_], bins: int = TENTHS) -> BrierParts:
    """The decomposition of the Brier score over bins of equal size.

    Source: A. H. Murphy 1973, J. Appl. Meteorol. 12:595-600.
    """
    parts = [part for part in np.array_split(np.argsort(risk, kind="stable"), bins) if len(part)]
    weight = np.array([len(part) for part in parts]) / len(risk)
    told, came = (np.array([x[part].mean() for part in parts]) for x in (risk, np.asarray(came_back, dtype=float)))
    return parts_of_bins(told, came, weight)


def parts_of_bins(told: Numbers, came: Numbers, weight: Numbers) -> BrierParts:
    """The same from bins: mean forecast, share that came, share of all forecasts."""
    rate = float(weight @ came)
    return BrierParts(float(weight @ (told - came) ** 2), float(weight @ (came - rate) ** 2), rate * (1 - rate))


def log_loss(risk: Numbers, came_back: NDArray[np.bool_]) -> Numbers:
    """One a bleed."""
    return -np.where(came_back, np.log(risk), np.log1p(-risk))


def _brier(risk: Numbers, came_back: NDArray[np.bool_]) -> Numbers:
    return np.asarray((risk - came_back) ** 2)
