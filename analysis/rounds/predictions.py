"""Predictions of an earlier audit compared with what happened since."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.intake import DONE, Log
from analysis.rounds.earlier import FOUND_OUTCOMES, look_level
from analysis.stats import FloatArray, ratio_limits
from schemas import empty, validate_table
from schemas.outputs import Predictions

if TYPE_CHECKING:
    from analysis.risk import SavedModel  # which imports scikit-learn

ALL, CHECK_LIST, TENTHS = "all", "check list", 10
SUMMED = ("bleeds", "expected", "expected_se", "observed", "faults_found")
DAYS_A_MONTH = 365.25 / 12
MIN_TENTH_BLEEDS = 100
"""Bleeds below which they are not split into tenths."""
NOTHING_DONE = ("not_reached", "declined")
"""Outcomes of a recall or check that leave the brake as it was."""


@dataclass(frozen=True)
class BleedsStillOut:
    """Bleeds still out at the earlier day: the comebacks expected of each on the days it was out since, and what happened.

    `covariates` (n × p) are those of the return model, `risk` the whole window's. The days end before a recall or second
    check, which may have changed what would have happened.
    """

    risk: FloatArray
    expected: FloatArray
    covariates: FloatArray
    came_back: NDArray[np.bool_]
    faults_found: NDArray[np.bool_]
    on_list: NDArray[np.bool_]


def predict_bleeds_still_out(
    model: SavedModel, then: BleedData, earlier_log: Log, listed: pl.DataFrame, log: Log, now: BleedData
) -> BleedsStillOut:
    """Predict every bleed that was still out at the earlier day, and look up what became of it.

    Bleeds that the later log no longer has, and those outside its observation window, are left out.

    Parameters
    ----------
    model
        Saved by the earlier audit.
    then, now
        The bleeds as followed to the earlier and to the later day.
    earlier_log, log
        The logs of both audits.
    listed
        session_id of the bleeds on the earlier second-check list, without those recalled at once.
    """
    table = followed_between(then, now, log, min(model.window_days, now.window_days))
    age, last = (table.get_column(name).to_numpy() for name in ("age_days", "last_day"))
    is_out = earlier_log.sessions.get_column("session_id").sort().is_in(table.get_column("session_id").implode())
    risk, covariates = model.model.predict_with_covariates(model.features_of(earlier_log).filter(is_out))
    return BleedsStillOut(
        risk=risk,
        expected=model.model.hazard.window.expected_between(risk, age, last),
        covariates=covariates,
        came_back=table.get_column("came_back").to_numpy(),
        faults_found=table.get_column("faults_found").to_numpy(),
        on_list=table.get_column("session_id").is_in(listed.get_column("session_id").implode()).to_numpy(),
    )


def followed_between(then: BleedData, now: BleedData, log: Log, window_days: int) -> pl.DataFrame:
    """Bleeds still out at the earlier day, followed to the later one, their end or the day before an action.

    Bleeds with an action stay in up to it: only those that had not come back yet could have one, so that leaving them out
    would leave too many comebacks among the others (immortal time; S. Suissa 2008, Am. J. Epidemiol. 167:492-499).

    Returns
    -------
    pl.DataFrame
        session_id; age_days at the earlier day; last_day out; came_back between them; whether a second check found a fault.
    """
    days = (now.as_of - then.as_of).days
    out = then.bleeds.filter(pl.col("end") == "as_of", pl.col("age_days") < window_days).select(
        "session_id", "age_days"
    )
    since = now.bleeds.select(
        "session_id", "return_days", "days_at_risk", "observed_days", "started_at", later_age="age_days"
    )
    acted_on = log.actions.filter(DONE, pl.col("done_on") > then.as_of, ~pl.col("outcome").is_in(NOTHING_DONE))
    is_fault = pl.col("outcome").is_in(FOUND_OUTCOMES) & (pl.col("kind") == "second_check")
    done = acted_on.group_by("session_id").agg(pl.col("done_on").min(), faults_found=is_fault.any())
    untouched = (pl.col("done_on") - pl.col("started_at").dt.date()).dt.total_days() - 1
    last = pl.min_horizontal(pl.col("age_days") + days, pl.lit(window_days), "days_at_risk", untouched)
    came_back = (pl.col("return_days") > pl.col("age_days")) & (pl.col("return_days") <= pl.col("last_day"))
    return (
        out.join(since, on="session_id", how="inner")
        .filter(pl.col("later_age") - pl.col("observed_days") == 0)
        .join(done, on="session_id", how="left")
        .with_columns(pl.col("faults_found").fill_null(False), last_day=last)
        .with_columns(came_back=came_back.fill_null(False))
        .select("session_id", "age_days", "last_day", "came_back", "faults_found")
        .sort("session_id")
    )


def compare_predictions(
    bleeds: BleedsStillOut,
    covariance: FloatArray,
    returns_known: int,
    days: tuple[dt.date, dt.date],
    earlier: pl.DataFrame,
    variance_between_months: float = 0.0,
) -> DataFrame[Predictions]:
    """Expected against observed comebacks: this round's, those of earlier rounds, and all rounds together.

    Parameters
    ----------
    bleeds
        The bleeds of this round.
    covariance
        Covariance of the return model's coefficients.
    returns_known
        Comebacks within the window from which the model's level is estimated.
    days
        The last day of the earlier and of the later audit.
    earlier
        `predictions` of the earlier audit.
    variance_between_months
        Of the log rate (`monitoring.variance_between_months`): how much months vary though nothing has changed.
    """
    before = earlier.filter(pl.col("round").is_not_null())
    look = int(before.get_column("round").n_unique()) + 1
    groups = {ALL: np.ones(len(bleeds.risk), dtype=bool), **_split_into_tenths(bleeds), CHECK_LIST: bleeds.on_list}
    rows = [
        _prediction_row(bleeds, name, chosen, covariance, returns_known)
        for name, chosen in groups.items()
        if chosen.any()
    ]
    this = [row | {"round": look, "from_day": days[0], "to_day": days[1]} for row in rows]
    together = _sum_over_rounds([*before.to_dicts(), *this])
    table = [
        *before.to_dicts(),
        *(_add_ratio_and_signal(row, look, variance_between_months) for row in (*this, *together)),
    ]
    frame = pl.DataFrame(table, schema=empty(Predictions).schema)
    return validate_table(Predictions, frame.sort("round", nulls_last=True, maintain_order=True))


def _split_into_tenths(bleeds: BleedsStillOut) -> dict[str, NDArray[np.bool_]]:
    """Bleeds by tenth of risk; none if there are too few."""
    number = len(bleeds.risk)
    if number < MIN_TENTH_BLEEDS:
        return {}
    tenth = np.argsort(np.argsort(bleeds.risk, kind="stable"), kind="stable") * TENTHS // number
    return {f"tenth {place + 1}": tenth == place for place in range(TENTHS)}


def _prediction_row(
    bleeds: BleedsStillOut, name: str, chosen: NDArray[np.bool_], covariance: FloatArray, returns_known: int
) -> dict[str, Any]:
    each = bleeds.expected[chosen]
    expected = float(each.sum())
    mean = each @ bleeds.covariates[chosen] / max(expected, 1e-12)
    relative = float(mean @ covariance @ mean) + 1 / max(returns_known, 1)
    return {
        "group": name,
        "bleeds": int(chosen.sum()),
        "expected": expected,
        "expected_se": expected * relative**0.5,
        "observed": int(bleeds.came_back[chosen].sum()),
        "faults_found": int((bleeds.faults_found & ~bleeds.came_back)[chosen].sum()) if name == CHECK_LIST else 0,
    }


def _sum_over_rounds(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Sums over rounds by group; standard errors add up, since successive models share most of their data."""
    totals: dict[str, dict[str, Any]] = {}
    for row in rows:
        total = totals.setdefault(row["group"], {**row, "round": None} | dict.fromkeys(SUMMED, 0))
        total |= {name: total[name] + row[name] for name in SUMMED}
        total |= {"from_day": min(total["from_day"], row["from_day"]), "to_day": max(total["to_day"], row["to_day"])}
    return list(totals.values())


def _add_ratio_and_signal(row: dict[str, Any], look: int, variance_between_months: float) -> dict[str, Any]:
    """The row with the ratio, its 95% interval and the signal at this look; signals only for all bleeds and all rounds.

    Counts are divided by their dispersion: 1 + the variance between months × the comebacks expected in a month.
    """
    events, expected = row["observed"], row["expected"]
    if expected <= 0:
        return row | {"ratio": None, "ratio_lo": None, "ratio_hi": None, "look": look, "signal": "too_few"}
    months = max((row["to_day"] - row["from_day"]).days / DAYS_A_MONTH, 1.0)
    dispersion = 1 + variance_between_months * expected / months
    reference = (expected / row["expected_se"]) ** 2 if row["expected_se"] > 0 else np.inf
    o, e, m = (count / dispersion for count in (events, expected, reference))
    limits, bounds = (ratio_limits(o, e, m, level) for level in (0.95, 1 - look_level(look)))
    signal = "high" if float(bounds.lo) > 1 else "low" if float(bounds.hi) < 1 else "none"
    return row | {
        "ratio": events / expected,
        "ratio_lo": float(limits.lo),
        "ratio_hi": float(limits.hi),
        "look": look,
        "signal": signal if row["group"] == ALL and row["round"] is None else "none",
    }
