"""Matching of returns against a plain search through every bleed, written from the rules alone."""

from __future__ import annotations

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.intake.link import link_returns
from tests.build import bleed, comeback, table

MOMENTS = st.builds(
    lambda day, hour: f"2026-01-{day:02d}" + ("" if hour is None else f"T{hour:02d}:30"),
    st.integers(1, 6),
    st.sampled_from([None, 0, 9, 15]),
)
BIKES, BRAKES = st.sampled_from("ABC"), st.sampled_from(["front", "rear"])
REASONS = st.sampled_from([None, "scheduled", "comeback", "soft_lever"])
BLEEDS = st.lists(st.tuples(BIKES, BRAKES, MOMENTS, REASONS), min_size=4, max_size=24)
NAMED_BLEEDS = st.sampled_from([None, "S0", "S1", "S2", "rejected", "unknown"])
RETURNS = st.lists(st.tuples(BIKES, st.one_of(st.none(), BRAKES), MOMENTS, NAMED_BLEEDS), min_size=4, max_size=24)


def earlier(start, back):
    """Not later, by the time if both have one, else by the day."""
    return start <= back if len(start) > 10 and len(back) > 10 else start[:10] <= back[:10]


def possible_bleeds(bleeds, comeback_row):
    """Every bleed that the rules allow; more than one if two bleeds began at the same time."""
    bike, brake, when, named_bleed = comeback_row
    ids = [f"S{i}" for i in range(len(bleeds))]
    if named_bleed == "rejected":
        return {None}
    if named_bleed in ids:
        own_bike, _, start, _ = bleeds[ids.index(named_bleed)]
        return {named_bleed if own_bike == bike and earlier(start, when) else None}
    before = [(b, i) for b, i in zip(bleeds, ids, strict=True) if b[0] == bike and earlier(b[2], when)]
    of_brakes = [latest_of(one, before, when) for one in (["front", "rear"] if brake is None else [brake])]
    matches = [ids for ids in of_brakes if ids - {None}]
    if None in set().union(*matches):
        return set().union(*matches)  # two bleeds at one moment, of which one is the repair: either may be looked at
    return matches[0] if len(matches) == 1 else {None}


def latest_of(brake, before, when):
    """The latest of one brake's earlier bleeds; a bleed of the day itself may be the repair, unless times tell."""
    own = [(b, i) for b, i in before if b[1] == brake]
    newest = max((b[2] for b, _ in own), default=None)
    older = [(b, i) for b, i in own if b[2][:10] < when[:10]]
    last_older = max((b[2] for b, _ in older), default=None)
    older_ids = {i for b, i in older if b[2] == last_older}
    ids = set()
    for b, i in own:
        if b[2] != newest:
            continue
        unclear = b[2][:10] == when[:10] and not (len(b[2]) > 10 and len(when) > 10)
        if unclear and b[3] in ("comeback", "soft_lever"):
            ids |= older_ids or {None}
        elif unclear and b[3] is None:
            ids |= older_ids or {i}
        else:
            ids.add(i)
    return ids or {None}


@settings(max_examples=25, deadline=None)
@given(bleeds=BLEEDS, returns=RETURNS)
def test_every_return_belongs_to_a_bleed_the_plain_search_allows(bleeds, returns):
    bleed_rows = [
        bleed(f"S{i}", when, bike_id=bike, brake=brake, job_reason=reason)
        for i, (bike, brake, when, reason) in enumerate(bleeds)
    ]
    return_rows = [
        comeback(f"C{i}", when, bike_id=bike, brake=brake, session_id=named_bleed)
        for i, (bike, brake, when, named_bleed) in enumerate(returns)
    ]
    links = link_returns(table("sessions", bleed_rows), table("comebacks", return_rows), pl.Series(["rejected"]))
    for comeback_id, got, days in links.iter_rows():
        one = returns[int(comeback_id[1:])]
        assert got in possible_bleeds(bleeds, one)
        assert (days is None) == (got is None)
        if got is not None:
            assert days == int(one[2][8:10]) - int(bleeds[int(got[1:])][2][8:10])
