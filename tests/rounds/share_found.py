"""Coverage of the estimated share of faults that a check finds; `python -m tests.rounds.share_found 0 200`."""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import replace

import numpy as np
import polars as pl

from analysis.dataset import bleed_data
from analysis.intake import Log
from analysis.rounds import ShareFound, share_found
from analysis.standard import built_in
from analysis.stats import exact_binomial_limits
from schemas import empty, validate_table
from schemas.log import Actions
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made

BLEEDS, CHECKED, TRUE_SHARE, CHECK_DAY = 1200, 400, 0.7, 1


def checked_log(seed: int, bleeds: int = BLEEDS, checked: int = CHECKED) -> Log:
    """A log in which checks on the day after found 7 of 10 of the faults that would have come back later."""
    rng = np.random.default_rng(seed)
    log = log_of_made(simulate(scenario_workshop("base", bleeds), seed))
    data = bleed_data(log, built_in(), 90)
    out = data.bleeds.filter(pl.col("days_at_risk") > CHECK_DAY).select(
        "session_id", "bike_id", "brake", "started_at", "came_back"
    )
    chosen = out[np.sort(rng.permutation(out.height)[:checked])]
    detected = chosen.get_column("came_back").to_numpy() & (rng.random(chosen.height) < TRUE_SHARE)
    schema = empty(Actions).schema
    values = chosen.with_columns(
        action_id=pl.format("check-{}", "session_id"),
        kind=pl.lit("second_check"),
        done_on=pl.col("started_at").dt.date() + dt.timedelta(days=CHECK_DAY),
        outcome=pl.Series(np.where(detected, "re_bled", "firm")),
    )
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in values.columns]
    actions = validate_table(Actions, values.with_columns(absent).select(list(schema)).sort("action_id"))
    caught = values.filter(pl.Series(detected)).get_column("session_id")
    gone = log.links.filter(pl.col("session_id").is_in(caught.implode()).fill_null(False)).get_column("comeback_id")
    remaining = ~pl.col("comeback_id").is_in(gone.implode())
    return replace(log, actions=actions, comebacks=log.comebacks.filter(remaining), links=log.links.filter(remaining))


def estimate(seed: int, bleeds: int = BLEEDS, checked: int = CHECKED) -> ShareFound:
    log = checked_log(seed, bleeds, checked)
    return share_found(log, bleed_data(log, built_in(), 90))


def main(first_seed: int, last_seed: int) -> None:
    covered, number, shares = 0, 0, []
    for seed in range(first_seed, last_seed):
        one = estimate(seed)
        if one.limits is None or one.share is None:
            continue
        number, covered = number + 1, covered + (one.limits[0] <= TRUE_SHARE <= one.limits[1])
        shares.append(one.share)
    limits = exact_binomial_limits(covered, number)
    print(
        f"covered {covered} of {number} ({float(limits.lo):.3f}-{float(limits.hi):.3f}), mean share {np.mean(shares):.3f}"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
