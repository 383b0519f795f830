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
    """What a check takes and spares: the standard's second check, bench minutes that one comeback costs (its parts
    turned into minutes), and bleeds a year."""

    check: SecondCheck
    comeback_minutes: float
    bleeds_per_year: float

    @property
    def worthwhile_risk(self) -> float:
        """The risk from which a check spares more minutes than it takes: minutes / (chance to find × comeback's)."""
        minutes_saved = self.check.sensitivity * self.comeback_minutes
        return min(self.check.minutes / minutes_saved, 1.0) if minutes_saved > 0 else 1.0

    @property
    def affordable_share(self) -> float:
        """The share of bleeds that there is time to check."""
        return float(np.clip(self.check.per_week * WEEKS_A_YEAR / max(self.bleeds_per_year, 1e-9), 0.0, 1.0))


def second_checks(risk: FloatArray, came_back: NDArray[np.bool_], cost: SecondCheckCost) -> DataFrame[SecondChecks]:
    """What checking the riskiest share of bleeds catches, out of time.

    One row a share: a fixed ladder, the share the shop has time for, and the share whose risk makes a check worth its
    minutes. `net_benefit` is (true positives − false positives × threshold / (1 − threshold)) / bleeds at the row's
    threshold; `minutes_saved` is finds × comebacks caught × a comeback's minutes less the checks', a year. Limits of
    what is caught are Wilson's, of the minutes they follow from those.

    Sources: A. J. Vickers & E. B. Elkin 2006, Med. Decis. Making 26:565-574 (net benefit).

    Parameters
    ----------
    risk, came_back
        Out-of-time risk and outcome of bleeds followed for the whole window.
    cost
        What checks take and spare.
    """
    comebacks = int(came_back.sum())
    if comebacks < MIN_COMEBACKS:
        return empty(SecondChecks)
    order = np.argsort(-risk, kind="stable")
    caught: NDArray[np.int64] = np.cumsum(came_back[order].astype(np.int64))
    worthwhile = float((risk >= cost.worthwhile_risk).mean())
    shares = sorted({*SHARES, round(cost.affordable_share, 6), round(worthwhile, 6)} - {0.0})
    rows = [_row(share, risk[order], caught, cost) for share in shares]
    table = pl.DataFrame(rows, schema=empty(SecondChecks).schema).unique("share", keep="first").sort("share")
    return validate_table(SecondChecks, table)


def net_benefit(risk: FloatArray, came_back: NDArray[np.bool_], threshold: float) -> float:
    """Per bleed, of checking those whose risk reaches the threshold."""
    chosen = risk >= threshold
    caught, wasted = (chosen & came_back).sum(), (chosen & ~came_back).sum()
    return float((caught - wasted * threshold / (1 - threshold)) / len(risk))


def worklist(risk: pl.DataFrame, check: SecondCheck, as_of: dt.date) -> NDArray[np.bool_]:
    """Which bleeds to look at again: of the last days, still out, the highest risks there is time for.

    Parameters
    ----------
    risk
        session_id, day, risk, out (whether the brake has neither come back nor been bled again).
    check
        How many there is time for, and over which days.
    as_of
        The last day of the log.
    """
    first = as_of - dt.timedelta(days=check.worklist_days - 1)
    room = int(check.per_week * check.worklist_days / 7)
    recent = risk.with_row_index("place").filter((pl.col("day") >= first) & pl.col("out"))
    chosen = recent.sort("risk", "session_id", descending=[True, False]).head(room)
    on_list = np.zeros(risk.height, dtype=bool)
    on_list[chosen.get_column("place").to_numpy()] = True
    return on_list


def _row(share: float, falling: FloatArray, caught: NDArray[np.int64], cost: SecondCheckCost) -> dict[str, float]:
    number = max(1, round(share * len(falling)))
    caught_count, comebacks, threshold = int(caught[number - 1]), int(caught[-1]), float(falling[number - 1])
    limits = wilson(caught_count, comebacks)
    rate = comebacks / len(falling)
    minutes_saved, spent = (
        cost.check.sensitivity * cost.comeback_minutes * rate,
        number / len(falling) * cost.check.minutes,
    )
    saved = [
        float((minutes_saved * part - spent) * cost.bleeds_per_year)
        for part in (caught_count / comebacks, limits.lo, limits.hi)
    ]
    return {
        "share": number / len(falling),
        "checks_per_week": number / len(falling) * cost.bleeds_per_year / WEEKS_A_YEAR,
        "threshold": threshold,
        "caught_per_100_comebacks": 100 * caught_count / comebacks,
        "precision": caught_count / number,
        "net_benefit": (caught_count - (number - caught_count) * threshold / (1 - threshold)) / len(falling),
        "minutes_saved": saved[0],
        "caught_lo": 100 * float(limits.lo),
        "caught_hi": 100 * float(limits.hi),
        "minutes_saved_lo": saved[1],
        "minutes_saved_hi": saved[2],
    }
