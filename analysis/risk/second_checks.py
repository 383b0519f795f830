"""Second checks: what checking the riskiest bleeds again would catch, and whether it is worth the minutes."""

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
class SecondCheckCost:
    """What a check costs and saves: the procedure's second check, bench minutes that one comeback costs (its parts turned
    into minutes), and bleeds a year."""

    check: SecondCheck
    comeback_minutes: float
    bleeds_per_year: float

    @property
    def worthwhile_risk(self) -> float:
        """The risk from which a check saves more minutes than it costs."""
        return self.check.break_even_risk(self.comeback_minutes)

    @property
    def affordable_share(self) -> float:
        """The share of bleeds that there is time to check."""
        return float(np.clip(self.check.per_week * WEEKS_A_YEAR / max(self.bleeds_per_year, 1e-9), 0.0, 1.0))


@dataclass(frozen=True)
class BleedOutcomes:
    """Bleeds followed for the whole window: whether each came back in it, on which day (only read where it did), and its
    bike as a number."""

    came_back: NDArray[np.bool_]
    return_days: FloatArray
    bike: NDArray[np.int64]

    def caught(self, list_days: int) -> FloatArray:
        """The chance that a list made every `list_days` days is in time for the comeback, 0 without one.

        A bleed waits 0 to list_days − 1 days for the next list, each as likely; a bike that is back by then is not met.
        """
        in_time = np.clip(self.return_days / list_days, 0.0, 1.0)
        return np.where(self.came_back, in_time, 0.0)


def second_checks(risk: FloatArray, outcomes: BleedOutcomes, cost: SecondCheckCost) -> DataFrame[SecondChecks]:
    """Estimate what checking the riskiest share of bleeds catches, out of time.

    One row per share: a fixed ladder, the share the shop has time for, and the share whose risk makes a check worth its
    minutes. A comeback before its check (`BleedOutcomes.caught`) is not caught, and its check is not made. `net_benefit`
    is (true positives − false positives × threshold / (1 − threshold)) / bleeds at the row's threshold; `minutes_saved`
    is sensitivity × comebacks caught × a comeback's minutes less the checks', a year. Limits of the share caught are Wilson's
    of the comebacks. Limits of the minutes are Wilson's of comebacks caught per bleed, widened by the design effect of
    bikes bled more than once: the number of comebacks varies too.

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
    falling = _Falling(risk[order], outcomes.came_back[order], caught, outcomes.bike[order])
    worthwhile = float((risk >= cost.worthwhile_risk).mean())
    shares = sorted({*SHARES, round(cost.affordable_share, 6), round(worthwhile, 6)} - {0.0})
    rows = [_row(share, falling, cost) for share in shares]
    table = pl.DataFrame(rows, schema=empty(SecondChecks).schema).unique("share", keep="first").sort("share")
    return validate_table(SecondChecks, table)


def net_benefit(risk: FloatArray, came_back: NDArray[np.bool_], threshold: float) -> float:
    """Per bleed, of checking those whose risk reaches the threshold."""
    chosen = risk >= threshold
    found, wasted = (chosen & came_back).sum(), (chosen & ~came_back).sum()
    return float((found - wasted * threshold / (1 - threshold)) / len(risk))


def worklist(risk: pl.DataFrame, check: SecondCheck, as_of: dt.date, least_risk: float) -> NDArray[np.bool_]:
    """Which bleeds to look at again: of the last days, still out, the highest risks that are worth it and there is time for.

    Parameters
    ----------
    risk
        session_id, day, risk, out (whether the brake has neither come back nor been bled again).
    check
        How many there is time for, and over which days.
    as_of
        The last day of the log.
    least_risk
        The risk from which a check is worth its minutes.
    """
    first = as_of - dt.timedelta(days=check.worklist_days - 1)
    room = int(check.per_week * check.worklist_days / 7)
    recent = risk.with_row_index("place").filter((pl.col("day") >= first) & pl.col("out"), pl.col("risk") >= least_risk)
    chosen = recent.sort("risk", "session_id", descending=[True, False]).head(room)
    on_list = np.zeros(risk.height, dtype=bool)
    on_list[chosen.get_column("place").to_numpy()] = True
    return on_list


@dataclass(frozen=True)
class _Falling:
    """Bleeds by falling risk: the risk, whether they came back, the chance that a check was in time, the bike."""

    risk: FloatArray
    came_back: NDArray[np.bool_]
    caught: FloatArray
    bike: NDArray[np.int64]

    def design_effect(self, number: int) -> float:
        """How much more the comebacks caught among the first bleeds vary by bike than bleed by bleed; at least 1."""
        caught = np.where(np.arange(len(self.caught)) < number, self.caught, 0.0)
        mean = float(caught.mean())
        if not 0 < mean < 1:
            return 1.0
        by_bike = np.bincount(self.bike, weights=caught - mean)
        return max(float(by_bike @ by_bike) / (len(caught) * mean * (1 - mean)), 1.0)


def _row(share: float, falling: _Falling, cost: SecondCheckCost) -> dict[str, float]:
    bleeds, comebacks = len(falling.risk), int(falling.came_back.sum())
    number = max(1, round(share * bleeds))
    found, threshold = float(falling.caught[:number].sum()), float(falling.risk[number - 1])
    made = number - float(falling.came_back[:number].sum()) + found
    limits = wilson(found, comebacks)
    effect = falling.design_effect(number)
    per_bleed = wilson(found / effect, bleeds / effect)
    saved = [
        float(
            (cost.check.sensitivity * cost.comeback_minutes * rate - made / bleeds * cost.check.cost)
            * cost.bleeds_per_year
        )
        for rate in (found / bleeds, float(per_bleed.lo), float(per_bleed.hi))
    ]
    return {
        "share": number / bleeds,
        "checks_per_week": made / bleeds * cost.bleeds_per_year / WEEKS_A_YEAR,
        "threshold": threshold,
        "caught_per_100_comebacks": 100 * found / comebacks,
        "precision": found / made if made > 0 else 0.0,
        "net_benefit": (found - (made - found) * threshold / (1 - threshold)) / bleeds,
        "minutes_saved": saved[0],
        "caught_lo": 100 * float(limits.lo),
        "caught_hi": 100 * float(limits.hi),
        "minutes_saved_lo": saved[1],
        "minutes_saved_hi": saved[2],
    }
