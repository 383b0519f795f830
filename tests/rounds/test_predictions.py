"""Predictions against what happened where recalls and second checks came in between: a calibrated model stays calibrated."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from analysis.dataset import BleedData, bleed_data
from analysis.intake import Log
from analysis.risk.hazard_model import WindowHazard
from analysis.rounds.predictions import BleedsStillOut, compare_predictions, followed_between
from analysis.standard import built_in
from analysis.stats import ratio_limits
from schemas import empty
from schemas.outputs import Predictions
from tests.build import bleed, comeback, log_of

THEN, NOW, WINDOW = dt.date(2026, 5, 31), dt.date(2026, 6, 30), 90
BLEEDS = 3000


def day(number: int) -> dt.date:
    return THEN + dt.timedelta(days=number)


def audits_of(log: Log) -> tuple[BleedData, BleedData]:
    """The bleeds as followed to both days."""
    early = log.comebacks.filter(pl.col("returned_at").dt.date() <= THEN)
    links = log.links.join(early.select("comeback_id"), on="comeback_id", how="semi")
    logs = ({"comebacks": early, "links": links, "as_of": THEN}, {"as_of": NOW})
    then, now = (bleed_data(log.__class__(**{**vars(log), **parts}), built_in(), WINDOW) for parts in logs)
    return then, now


def simulated(seed: int) -> tuple[Log, NDArray[np.float64]]:
    """Bleeds of constant, very unequal hazards; from the day after, the riskiest tenth of those still out is checked.

    The checks end firm and change nothing. Returns the log and each bleed's hazard a day.
    """
    rng = np.random.default_rng(seed)
    hazard = np.sort(0.0008 * rng.lognormal(0, 1.2, BLEEDS))
    started = -rng.integers(0, 60, BLEEDS)
    back = started + rng.geometric(1 - np.exp(-hazard))
    check = np.where(np.arange(BLEEDS) >= BLEEDS * 0.9, rng.integers(1, 31, BLEEDS), 10**6)
    one = [f"S{i:04d}" for i in range(BLEEDS)]
    bleeds = [bleed(name, day(int(at)).isoformat(), bike_id=name) for name, at in zip(one, started, strict=True)]
    returned = [i for i in range(BLEEDS) if back[i] <= 30]
    returns = [comeback(f"R{i}", day(int(back[i])).isoformat(), session_id=one[i], bike_id=one[i]) for i in returned]
    checked = [i for i in range(BLEEDS) if check[i] <= min(back[i], 30)]
    return log_of(bleeds, returns, actions=[action(one[i], int(check[i])) for i in checked]), hazard


def action(session_id: str, number: int, **others: Any) -> dict[str, Any]:
    usual = {"action_id": f"A-{session_id}", "kind": "second_check", "outcome": "firm"}
    return usual | {"session_id": session_id, "done_on": day(number)} | others


def compared(log: Log, hazard: NDArray[np.float64]) -> dict[str, Any]:
    then, now = audits_of(log)
    bleeds = followed_between(then, now, log, WINDOW)
    mine = hazard[bleeds.get_column("session_id").str.slice(1).cast(pl.Int64).to_numpy()]
    risk, age, last = 1 - np.exp(-WINDOW * mine), bleeds.get_column("age_days"), bleeds.get_column("last_day")
    window = WindowHazard(0.001 * np.arange(WINDOW + 1), np.ones(WINDOW + 1))
    interim = BleedsStillOut(
        risk=risk,
        expected=window.expected_between(risk, age.to_numpy(), last.to_numpy()),
        covariates=np.zeros((len(risk), 1)),
        came_back=bleeds.get_column("came_back").to_numpy(),
        faults_found=bleeds.get_column("faults_found").to_numpy(),
        on_list=mine >= hazard[int(BLEEDS * 0.9)],
    )
    table = compare_predictions(interim, np.zeros((1, 1)), 10**12, (THEN, NOW), empty(Predictions))
    return {row["group"]: row for row in table.filter(pl.col("round").is_null()).iter_rows(named=True)}


def test_a_calibrated_model_stays_calibrated_where_the_riskiest_are_acted_on() -> None:
    """Six simulated logs together, about 580 comebacks; without the bleeds acted on, the ratio would be about 1.2."""
    rows = [compared(*simulated(seed)) for seed in range(6)]
    for group in ("all", "tenth 10", "check list"):
        observed, expected = (sum(row[group][name] for row in rows) for name in ("observed", "expected"))
        limits = ratio_limits(observed, expected, np.inf)
        assert float(limits.lo) < 1 < float(limits.hi)
        assert observed > 100


@pytest.mark.parametrize(
    ("back", "outcome", "last_day", "came_back"),
    [
        (5, "firm", 25, True),  # before the check
        (10, "firm", 29, False),  # on its day the check comes first
        (15, "re_bled", 29, False),
        (15, "not_reached", 35, True),
        (15, "declined", 35, True),
    ],
)
def test_a_bleed_is_followed_up_to_the_day_before_something_is_done(
    back: int, outcome: str, last_day: int, came_back: bool
) -> None:
    """Bled 20 days before the earlier audit, acted on 10 days after it."""
    log = log_of(
        [bleed("S1", day(-20).isoformat())],
        [comeback("R1", day(back).isoformat(), session_id="S1")],
        actions=[action("S1", 10, outcome=outcome)],
    )
    row = followed_between(*audits_of(log), log, WINDOW).row(0, named=True)
    assert (row["age_days"], row["last_day"], row["came_back"]) == (20, last_day, came_back)


@pytest.mark.parametrize(("kind", "faults"), [("recall", 0), ("second_check", 1)])
def test_only_second_checks_find_faults_and_no_ratio_counts_them(kind: str, faults: int) -> None:
    log = log_of(
        [bleed("S0000", day(-20).isoformat())], [], actions=[action("S0000", 10, kind=kind, outcome="re_bled")]
    )
    row = compared(log, np.full(BLEEDS, 0.001))["check list"]
    assert (row["faults_found"], row["observed"], row["ratio"]) == (faults, 0, 0.0)
    assert row["expected"] == pytest.approx(9 * (1 - np.exp(-0.001)))
