"""Second checks: what checking the riskiest bleeds again would catch, and whether it is worth the time."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.standard import SecondCheck
from analysis.stats import wilson
from schemas import empty, validate_table
from schemas.outputs import SecondChecks

FloatArray = NDArray[np.float64]
SHARES = (0.01, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 1.0)
WEEKS_A_YEAR = 365.25 / 7
MIN_COMEBACKS = 10


@dataclass(frozen=True)
class _Estimate:
    """An estimate of 0 or more with its 95% limits."""

    value: float
    lo: float
    hi: float

    def times(self, other: _Estimate) -> _Estimate:
        """The product of two independent estimates.

        The distances from the limits are squared and added (method of variance estimates recovery: A. Donner & G. Y. Zou
        2012, Stat. Methods Med. Res. 21:347-359, from memory).
        """
        downwards = np.hypot((self.value - self.lo) * other.value, (other.value - other.lo) * self.value)
        upwards = np.hypot((self.hi - self.value) * other.value, (other.hi - other.value) * self.value)
        value = self.value * other.value
        return _Estimate(value, max(value - float(downwards), 0.0), value + float(upwards))


@dataclass(frozen=True)
class SecondCheckCost:
    """What checks cost and save: the procedure's second check, bench minutes per comeback, bleeds a
    year, and from how many faults the share that a check finds is estimated (0: it is as the procedure sets it)."""

    check: SecondCheck
    comeback_minutes: float
    bleeds_per_year: float
    faults: int = 0

    @property
    def sensitivity(self) -> _Estimate:
        """The share of faults that a check finds, with Wilson's limits if it is estimated."""
        share = self.check.sensitivity
        if not self.faults:
            return _Estimate(share, share, share)
        limits = wilson(share * self.faults, self.faults)
        return _Estimate(share, float(limits.lo), float(limits.hi))

    @property
    def worthwhile_risk(self) -> float:
        """The risk above which a check saves more minutes than it costs."""
        return self.check.break_even_risk(self.comeback_minutes)

    @property
    def affordable_share(self) -> float:
        """The share of bleeds that the workshop has time to check."""
        return float(np.clip(self.check.per_week * WEEKS_A_YEAR / max(self.bleeds_per_year, 1e-9), 0.0, 1.0))


@dataclass(frozen=True)
class BleedOutcomes:
    """Bleeds followed for the whole window: whether each came back, after how many days (used only where it did), and a code
    for its bike."""

    came_back: NDArray[np.bool_]
    return_days: FloatArray
    bike: NDArray[np.int64]

    def caught(self, list_days: int) -> FloatArray:
        """The chance that a list made every `list_days` days is in time for the comeback; 0 without a comeback.

        A bleed waits 0 to list_days − 1 days for the next list, each equally likely; a bike that is back by then is not
        caught.
        """
        in_time = np.clip(self.return_days / list_days, 0.0, 1.0)
        return np.where(self.came_back, in_time, 0.0)


def second_checks(risk: FloatArray, outcomes: BleedOutcomes, cost: SecondCheckCost) -> DataFrame[SecondChecks]:
    """Estimate what checking the riskiest share of bleeds catches, out of time.

    One row per share: fixed shares, the share the workshop has time for, and the share whose risk makes a check worth
    its minutes. A comeback before its check (`BleedOutcomes.caught`) is not caught, and its check is not made. `net_benefit`
    is (true positives − false positives × threshold / (1 − threshold)) / bleeds at the row's threshold; `minutes_saved`
    is sensitivity × comebacks caught × a comeback's minutes less the checks', a year. Limits of the share caught are Wilson's, of the
    comebacks. Limits of the minutes combine Wilson's of comebacks caught per bleed, widened by the design effect of
    bikes bled more than once, with those of the share that a check finds, where it is estimated: both vary.

    Sources: A. J. Vickers & E. B. Elkin 2006, Med. Decis. Making 26:565-574 (net benefit); L. Kish 1965, Survey Sampling
    (design effect; from memory).

    Parameters
    ----------
    risk, outcomes
        Out-of-time risk and outcome of bleeds followed for the whole window.
    cost
        What checks cost and save.
    """
    if int(outcomes.came_back.sum()) < MIN_COMEBACKS:
        return empty(SecondChecks)
    order = np.argsort(-risk, kind="stable")
    caught = outcomes.caught(cost.check.worklist_days)[order]
    ranked = _RankedBleeds(risk[order], outcomes.came_back[order], caught, outcomes.bike[order])
    worthwhile = float((risk >= cost.worthwhile_risk).mean())
    shares = sorted({*SHARES, round(cost.affordable_share, 6), round(worthwhile, 6)} - {0.0})
    rows = [_checked_share_row(share, ranked, cost) for share in shares]
    table = pl.DataFrame(rows, schema=empty(SecondChecks).schema).unique("share", keep="first").sort("share")
    return validate_table(SecondChecks, table)


def worklist(risk: pl.DataFrame, check: SecondCheck, as_of: dt.date, least_risk: float) -> NDArray[np.bool_]:
    """Select the bleeds to check again: recent, still out, with the highest risks that are worth a check and time allows.

    Parameters
    ----------
    risk
        session_id, day, risk, out (whether the brake has neither come back nor been bled again).
    check
        How many there is time for, and over how many days.
    as_of
        The last day of the log.
    least_risk
        The risk above which a check is worth its minutes.
    """
    first = as_of - dt.timedelta(days=check.worklist_days - 1)
    capacity = int(check.per_week * check.worklist_days / 7)
    recent = risk.with_row_index("row").filter((pl.col("day") >= first) & pl.col("out"), pl.col("risk") >= least_risk)
    chosen = recent.sort("risk", "session_id", descending=[True, False]).head(capacity)
    on_list = np.zeros(risk.height, dtype=bool)
    on_list[chosen.get_column("row").to_numpy()] = True
    return on_list


@dataclass(frozen=True)
class _RankedBleeds:
    """Bleeds by falling risk: the risk, whether they came back, the chance that a check is in time, and the bike."""

    risk: FloatArray
    came_back: NDArray[np.bool_]
    caught: FloatArray
    bike: NDArray[np.int64]

    def design_effect(self, number: int) -> float:
        """How much more the comebacks caught among the first `number` bleeds vary between bikes than between bleeds; at least 1."""
        caught = np.where(np.arange(len(self.caught)) < number, self.caught, 0.0)
        mean = float(caught.mean())
        if not 0 < mean < 1:
            return 1.0
        by_bike = np.bincount(self.bike, weights=caught - mean)
        return max(float(by_bike @ by_bike) / (len(caught) * mean * (1 - mean)), 1.0)


def _checked_share_row(share: float, ranked: _RankedBleeds, cost: SecondCheckCost) -> dict[str, float]:
    bleeds, comebacks = len(ranked.risk), int(ranked.came_back.sum())
    number = max(1, round(share * bleeds))
    n_caught, threshold = float(ranked.caught[:number].sum()), float(ranked.risk[number - 1])
    checks = number - float(ranked.came_back[:number].sum()) + n_caught
    limits = wilson(n_caught, comebacks)
    design_effect = ranked.design_effect(number)
    per_bleed = wilson(n_caught / design_effect, bleeds / design_effect)
    faults_found = cost.sensitivity.times(_Estimate(n_caught / bleeds, float(per_bleed.lo), float(per_bleed.hi)))
    saved = [
        float((cost.comeback_minutes * rate - checks / bleeds * cost.check.cost) * cost.bleeds_per_year)
        for rate in (faults_found.value, faults_found.lo, faults_found.hi)
    ]
    return {
        "share": number / bleeds,
        "checks_per_week": checks / bleeds * cost.bleeds_per_year / WEEKS_A_YEAR,
        "threshold": threshold,
        "caught_per_100_comebacks": 100 * n_caught / comebacks,
        "precision": n_caught / checks if checks > 0 else 0.0,
        "net_benefit": (n_caught - (checks - n_caught) * threshold / (1 - threshold)) / bleeds,
        "minutes_saved": saved[0],
        "caught_lo": 100 * float(limits.lo),
        "caught_hi": 100 * float(limits.hi),
        "minutes_saved_lo": saved[1],
        "minutes_saved_hi": saved[2],
    }
