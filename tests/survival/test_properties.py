"""Follow-up of any log against a loop over its bleeds, and properties of every follow-up."""

import datetime as dt

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.standard import built_in
from analysis.survival import ObservationWindow, add_follow_up, match_returns
from tests.build import bleed, comeback, log_of

FIRST, AS_OF, WINDOW = dt.date(2026, 1, 1), dt.date(2026, 6, 30), 60
DAYS = st.integers(0, 180)
REASONS = st.sampled_from([None, "scheduled", "comeback", "soft_lever", "leak_repair"])


@st.composite
def logs(draw):
    bleeds_made = draw(st.lists(st.tuples(DAYS, st.sampled_from("abcd"), REASONS), min_size=1, max_size=25))
    bleeds = [
        bleed(f"S{i}", str(FIRST + dt.timedelta(day)), bike_id=bike, job_reason=reason)
        for i, (day, bike, reason) in enumerate(bleeds_made)
    ]
    back = []
    for number, (which, wait) in enumerate(draw(st.lists(st.tuples(st.integers(0, 24), DAYS), max_size=12))):
        day, bike, _ = bleeds_made[which % len(bleeds_made)]
        when = FIRST + dt.timedelta(day + wait)
        if when <= AS_OF:
            finding = draw(st.sampled_from([None, "air", "pads"]))
            fields = {"bike_id": bike, "session_id": f"S{which % len(bleeds_made)}", "finding": finding}
            back.append(comeback(f"C{number}", str(when), **fields))
    return log_of(bleeds, back, as_of=AS_OF)


def outcomes_by_loop(log):
    """(return_days, days_at_risk, end, mature, came_back) of each bleed, by a plain loop."""
    rows = log.sessions.sort("started_at", "session_id").to_dicts()
    links = log.links.join(log.comebacks.select("comeback_id", "finding"), on="comeback_id").to_dicts()
    outcomes = {}
    for place, row in enumerate(rows):
        day, later = row["started_at"].date(), [r for r in rows[place + 1 :] if r["bike_id"] == row["bike_id"]]
        gap = (later[0]["started_at"].date() - day).days if later else None
        own = [link for link in links if link["session_id"] == row["session_id"]]
        back = [link["days"] for link in own if link["finding"] != "pads"]
        silent = gap is None or gap > WINDOW or any(link["days"] <= gap for link in own)
        if not silent and later[0]["job_reason"] in ("comeback", "soft_lever"):
            back.append(gap)
        age = (AS_OF - day).days
        # in this order, so that on a tie a return comes before a bleed and that before the end of the log
        ends = [(min(back), 0, "return")] if back else []
        ends += [(gap, 1, "next_bleed")] if gap is not None else []
        first = min([*ends, (age, 2, "as_of")])
        within = bool(back) and min(back) <= WINDOW
        outcomes[row["session_id"]] = (min(back, default=None), first[0], first[2], age >= WINDOW, within)
    return outcomes


@settings(max_examples=30, deadline=None)
@given(logs())
def test_follow_up_equals_a_loop_over_the_log(log):
    table = add_follow_up(log, built_in(), WINDOW)
    columns = ("return_days", "days_at_risk", "end", "mature", "came_back")
    assert {row[0]: row[1:] for row in table.select("session_id", *columns).iter_rows()} == outcomes_by_loop(log)


@settings(max_examples=10, deadline=None)
@given(logs(), st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(log, random):
    order = list(range(log.sessions.height))
    random.shuffle(order)
    moved = type(log)(**{**vars(log), "sessions": log.sessions[order]})
    assert add_follow_up(moved, built_in(), WINDOW).equals(add_follow_up(log, built_in(), WINDOW))


@settings(max_examples=10, deadline=None)
@given(logs(), DAYS, DAYS)
def test_an_observation_window_never_lengthens_the_follow_up(log, start, stop):
    covered = ObservationWindow(FIRST + dt.timedelta(start), FIRST + dt.timedelta(stop))
    full, less = add_follow_up(log, built_in(), WINDOW), add_follow_up(log, built_in(), WINDOW, covered)
    assert (less["days_at_risk"] <= full["days_at_risk"]).all()
    assert (less["mature"] <= full["mature"]).all()
    outside = (less["started_at"].dt.date() < covered.returns_from) | (
        less["started_at"].dt.date() > covered.returns_to
    )
    assert not less.filter(outside)["mature"].any()


@settings(max_examples=10, deadline=None)
@given(logs())
def test_a_return_is_never_counted_twice_by_record_and_by_job_reason(log):
    returns = match_returns(log, built_in(), WINDOW)
    recorded = returns.filter(pl.col("comeback_id").is_not_null())
    by_reason = returns.filter(pl.col("repair_session_id").is_not_null())
    assert recorded.height + by_reason.height == returns.height
    both = recorded.join(by_reason, on="session_id", suffix="_by_reason")
    assert (both["days"] > both["days_by_reason"]).all()
