"""Cards, red marks and sentences of the trainer's page follow one rule; curves and verdicts are told apart."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import polars as pl

from analysis.pages.cards import coaching_cards, more_than_peers
from analysis.pages.coached import coaching
from analysis.pages.trainer import trainer_questions
from analysis.report import Report
from schemas import empty
from schemas.outputs import CoachingEffect, Technique, Tolerance
from tests.shops import report


@cache
def steps() -> list[str]:
    return report().steps.get_column("step").to_list()


def with_verdicts(*verdicts: str, **tables: pl.DataFrame) -> Report:
    """The report, its first steps with these verdicts, the others without a sign; whatever else is given."""
    by_step = dict(zip(steps(), verdicts, strict=False))
    told = [by_step.get(step, "no_sign") for step in steps()]
    return replace(report(), steps=report().steps.with_columns(verdict=pl.Series(told)), **tables)


def misses(step: str, who: str = "Wren", **others: Any) -> dict[str, Any]:
    usual = {
        "technician": who, "step": step, "recorded": 100, "missed": 40, "share": 0.4, "peer_share": 0.1, "excess": 0.3,
        "lo": 0.2, "hi": 0.4, "preventable": 2.0, "coach_rank": 1, "preventable_lo": 0.5, "preventable_hi": 3.5,
    }  # fmt: skip
    return usual | others


def technique(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=empty(Technique).schema)


def cards_of(told: Report) -> dict[str, Any]:
    return {card.name: card for card in coaching_cards(told)}


def test_a_costly_step_missed_beyond_peers_is_a_line_with_limits_of_its_comebacks() -> None:
    (card,) = coaching_cards(with_verdicts("costs_comebacks", technique=technique(misses(steps()[0]))))
    assert "2.0 (0.5 to 3.5) comebacks a year" in card.lines[0]


def test_a_step_that_shows_no_cost_is_named_and_not_practised() -> None:
    (card,) = coaching_cards(with_verdicts("no_sign", technique=technique(misses(steps()[0]))))
    assert card.lines == ()
    assert "no sign that it costs comebacks, so nothing to practise on that account" in card.note


def test_no_red_mark_stands_against_a_card_that_says_nothing_beyond_chance() -> None:
    told = with_verdicts(
        "costs_comebacks",
        technique=technique(
            misses(steps()[0]),
            misses(steps()[1], "Ash"),
            misses(steps()[0], "Elm", coach_rank=None, preventable=-1.0),
            misses(steps()[2], "Rowan", excess=0.01, lo=-0.1, hi=0.12, coach_rank=None),
        ),
    )
    marked = set(more_than_peers(told).get_column("technician"))
    assert marked == {"Wren", "Ash", "Elm"}
    quiet = [name for name, card in cards_of(told).items() if "Nothing beyond chance" in card.note]
    assert not any(name in group for name in marked for group in quiet)
    answer = next(q.answer for q in trainer_questions(told) if q.id == "cards")
    assert answer.startswith("3 of 4 technicians miss some step more often than peers")
    assert "1 of them on steps that cost comebacks" in answer


def coached(step: str, change: float, lo: float, hi: float) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(empty(CoachingEffect).columns)
    sides = {"missed_before": 0.4, "missed_after": 0.35, "recorded_before": 50, "recorded_after": 60}
    return row | {"technician": "Wren", "step": step, "change": change, "lo": lo, "hi": hi} | sides


def test_coaching_again_is_advised_only_where_the_step_costs_comebacks() -> None:
    rows = [coached(steps()[0], -0.05, -0.2, 0.1), coached(steps()[1], -0.05, -0.2, 0.1)]
    effects = pl.DataFrame(rows, schema=empty(CoachingEffect).schema).with_columns(
        coached_on=pl.lit("2026-01-05").str.to_date()
    )
    told = with_verdicts("costs_comebacks", "no_sign", coaching=effects)
    titles = dict(told.steps.select("step", "title").iter_rows())
    question = coaching(told)
    again, _, rest = question.action.partition(". Nothing moved on ")
    assert f"Wren on “{titles[steps()[0]]}”" in again
    assert titles[steps()[1]] not in again
    assert rest.startswith(f"“{titles[steps()[1]]}” either, but missing it shows no sign")
    assert "missed 40% of 50 bleeds (" in question.points[0]
    assert "35% of 60 bleeds (" in question.points[0]


def curve(step: str, *limits: tuple[float, float]) -> pl.DataFrame:
    rows = [
        {
            "step": step,
            "field": "bubbles_last",
            "reading": 3.0 * k,
            "bleeds": 50,
            "risk": (lo + hi) / 2,
            "lo": lo,
            "hi": hi,
        }
        for k, (lo, hi) in enumerate(limits)
    ]
    return pl.DataFrame(rows, schema=empty(Tolerance).schema)


def tolerance_of(told: Report) -> Any:
    return next(q for q in trainer_questions(told) if q.id == "tolerance")


def test_two_readings_whose_limits_do_not_meet_differ_even_where_the_highest_is_vague() -> None:
    told = with_verdicts(
        "costs_comebacks", tolerance=curve(steps()[0], (0.02, 0.04), (0.02, 0.3), (0.06, 0.12), (0.03, 0.4))
    )
    question = tolerance_of(told)
    assert question.answer.startswith("Along 1 of 1 reading the risk of a comeback differs by more than chance")
    assert "at 6 to 3.0% (2.0 to 4.0%) at 0" in question.answer
    assert question.points == ()


def test_a_costly_step_with_a_curve_within_chance_says_why_both_may_be_right() -> None:
    told = with_verdicts("costs_comebacks", tolerance=curve(steps()[0], (0.02, 0.10), (0.03, 0.12)))
    assert "No contradiction" in tolerance_of(told).points[0]


def test_a_curve_that_differs_under_a_step_without_a_sign_says_so_too() -> None:
    told = with_verdicts("no_sign", tolerance=curve(steps()[0], (0.02, 0.04), (0.06, 0.12)))
    assert "the limit may lie where it parts little" in tolerance_of(told).points[0]
