"""What a coaching changed: before and after, against peers never coached on it, the day itself left out."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.dataset import bleed_data
from analysis.people import coaching_effects
from analysis.people.before_after import (
    CHOICE_DAYS,
    before_after_counts,
    difference,
    estimate_period_variance,
    share_changes,
)
from analysis.standard import built_in
from tests.build import comeback, log_of, table
from tests.people.logs import ready

DAY = dt.date(2026, 1, 15)


def surrounding(who: str, before: tuple[int, int], after: tuple[int, int]) -> list[dict[str, Any]]:
    """Bleeds on both sides of the day, missed of all, one a day; the side before ends a quarter earlier."""
    rows = []
    for sign, (missed, of) in ((-1, before), (1, after)):
        first = 1 if sign > 0 else CHOICE_DAYS + 1
        rows += [
            {
                "session_id": f"{who}{sign}-{n}",
                "bike_id": f"{who}{sign}-{n}",
                "brake": "front",
                "technician": who,
                "started_at": dt.datetime.combine(DAY + dt.timedelta(days=sign * (n + first)), dt.time(9)),
                "kit_purged": n >= missed,
            }
            for n in range(of)
        ]
    return rows


PEERS = [
    surrounding(name, (missed, 50), (missed, 50))
    for name, missed in (("Alder", 10), ("Flint", 20), ("Dace", 12), ("Isle", 15))
]
COACHED = [{"technician": "Wren", "coached_on": DAY, "step": "purge"}]


def message(*parts: list[dict[str, Any]], coaching: list[dict[str, Any]] = COACHED) -> dict[str, Any]:
    return coaching_effects(ready(*parts), table("coaching", coaching)).row(0, named=True)


def test_the_change_is_the_persons_own_less_the_peers() -> None:
    """Wren goes from 30 of 50 to 10 of 50; both peers stay: minus 0.4, and it is clear."""
    row = message(surrounding("Wren", (30, 50), (10, 50)), *PEERS)
    assert (row["missed_before"], row["missed_after"], row["peers_change"]) == (0.6, 0.2, 0.0)
    assert row["change"] == pytest.approx(-0.4)
    assert row["hi"] < 0


def test_a_change_that_peers_made_too_is_none() -> None:
    better = [surrounding(name, (30, 50), (10, 50)) for name in ("Alder", "Flint", "Dace", "Isle")]
    row = message(surrounding("Wren", (30, 50), (10, 50)), *better)
    assert row["change"] == pytest.approx(0.0)
    assert row["lo"] < 0 < row["hi"]


def test_the_day_itself_belongs_to_neither_side() -> None:
    that_day = [
        surrounding("Wren", (0, 0), (1, 1))[0] | {"started_at": dt.datetime.combine(DAY, dt.time(9)), "session_id": "d"}
    ]
    assert message(surrounding("Wren", (30, 50), (10, 50)), that_day, *PEERS)["missed_after"] == 0.2


def test_the_quarter_before_a_coaching_is_left_out() -> None:
    """Wren is chosen for a quarter in which 45 of 50 were missed, before and after which 20 of 50 are: nothing changed."""
    bad = [
        row | {"session_id": f"bad-{n}", "started_at": row["started_at"] + dt.timedelta(days=CHOICE_DAYS)}
        for n, row in enumerate(surrounding("Wren", (45, 50), (0, 0)))
    ]
    row = message(surrounding("Wren", (20, 50), (20, 50)), bad, *PEERS)
    assert (row["missed_before"], row["missed_after"], row["clear"]) == (0.4, 0.4, False)


def test_peers_who_wander_widen_the_interval() -> None:
    """Wren's 40 points are clear against steady peers, not against peers who move as far by themselves."""
    moves = (("Alder", 10, 30), ("Flint", 30, 10), ("Dace", 12, 28), ("Isle", 28, 12))
    wanderers = [surrounding(name, (before, 50), (after, 50)) for name, before, after in moves]
    assert message(surrounding("Wren", (30, 50), (10, 50)), *PEERS)["clear"]
    assert not message(surrounding("Wren", (30, 50), (10, 50)), *wanderers)["clear"]


def test_bleeds_of_more_than_half_a_year_away_are_left_out() -> None:
    row = message(surrounding("Wren", (30, 183), (10, 50)), *PEERS)
    longer = message(surrounding("Wren", (30, 200), (10, 50)), *PEERS)
    assert row["missed_before"] == longer["missed_before"] == pytest.approx(30 / 183)


@pytest.mark.parametrize(
    "parts",
    [
        [surrounding("Wren", (5, 9), (5, 50)), *PEERS],
        [surrounding("Wren", (5, 50), (5, 9)), *PEERS],
        [surrounding("Wren", (5, 50), (5, 50)), *PEERS[:3]],
        [surrounding("Wren", (5, 50), (5, 50)), *PEERS[:3], surrounding("Isle", (4, 9), (5, 50))],
    ],
    ids=[
        "nine bleeds before",
        "nine bleeds after",
        "three peers of a short log",
        "a peer with nine bleeds before is none",
    ],
)
def test_too_few_bleeds_give_no_effect(parts: list[list[dict[str, Any]]]) -> None:
    row = message(*parts)
    assert (row["change"], row["lo"], row["peers_change"]) == (None, None, None)
    assert row["coached_on"] == DAY


def test_technicians_coached_on_the_same_step_in_those_days_are_not_peers() -> None:
    learnt_too = surrounding("Sorrel", (45, 50), (0, 50))
    both = [*COACHED, {"technician": "Sorrel", "coached_on": DAY - dt.timedelta(days=20), "step": "purge"}]
    table_of_two = coaching_effects(
        ready(surrounding("Wren", (30, 50), (10, 50)), learnt_too, *PEERS), table("coaching", both)
    )
    assert table_of_two.filter(technician="Wren")["peers_change"].item() == 0.0


def test_a_step_the_standard_does_not_know_keeps_an_empty_row() -> None:
    row = message(surrounding("Wren", (5, 50), (5, 50)), *PEERS, coaching=[COACHED[0] | {"step": "polish"}])
    assert (row["step"], row["change"]) == ("polish", None)


def test_without_coaching_the_table_is_empty() -> None:
    assert coaching_effects(ready(*PEERS), table("coaching", [])).is_empty()


@pytest.mark.parametrize(("returns", "has_effect"), [((12, 2), True), ((6, 3), False)])
def test_comebacks_are_compared_only_where_the_coached_one_has_ten(returns: tuple[int, int], has_effect: bool) -> None:
    """12 of 50 before and 2 of 50 after, each of five peers 2 of 50 on both sides: minus a fifth."""
    wren = surrounding("Wren", (30, 50), (10, 50))
    peers = [
        row for name in ("Alder", "Flint", "Sorrel", "Dace", "Isle") for row in surrounding(name, (10, 50), (10, 50))
    ]
    back = [*wren[: returns[0]], *wren[50 : 50 + returns[1]], *peers[::25]]
    rows = [
        comeback(f"C{n}", (one["started_at"] + dt.timedelta(days=10)).isoformat(), session_id=one["session_id"])
        | {"bike_id": one["bike_id"]}
        for n, one in enumerate(back)
    ]
    log = log_of([*wren, *peers], rows, as_of=dt.date(2026, 12, 31))
    row = coaching_effects(bleed_data(log, built_in(), 90), table("coaching", COACHED)).row(0, named=True)
    assert row["change"] == pytest.approx(-0.4)
    if has_effect:
        assert row["comebacks_change"] == pytest.approx(-0.2)
        assert row["comebacks_hi"] < 0
    else:
        assert row["comebacks_change"] is None


def test_two_peers_do_not_make_a_change_clear_that_technicians_make_without_coaching() -> None:
    """Three technicians over three years whose habits vary between quarters; each in turn is coached, to no effect."""
    rng, clear, days = (
        np.random.default_rng(7),
        [],
        [dt.datetime(2023, 1, 1) + dt.timedelta(days=n) for n in range(1092)],
    )
    names = np.repeat(["Wren", "Alder", "Flint"], len(days))
    for _ in range(12):
        frames = []
        for _ in range(6):  # steps
            odds = -1.4 + rng.normal(0, 0.8, (3, 12))
            yes = rng.random(3 * len(days)) < np.repeat(1 / (1 + np.exp(-odds)).ravel(), 91)
            frames.append(pl.DataFrame({"technician": names, "started_at": days * 3, "yes": yes}))
        wander = estimate_period_variance(frames, "technician", lambda *_: [])
        for frame in frames:
            counts = before_after_counts(frame, days[640].date())
            for own in counts.iter_slices(1):
                peers = counts.filter(pl.col("technician") != own["technician"].item())
                clear.append(difference(share_changes(own), share_changes(peers), wander).p_value <= 0.05)
    assert np.mean(clear) <= 0.12  # 0.05 expected, with an error of 0.03; by two peers' own spread about 0.2
