"""Cards, marks and sentences of the trainer's page follow one rule; curves and verdicts may differ and say why."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache
from typing import Any

import polars as pl

from analysis.pages.lead_savings import robustness_points, step_finding
from analysis.pages.trainer import trainer_questions
from analysis.pages.trainer_cards import coaching_cards, missed_more_than_peers
from analysis.pages.trainer_coaching import coaching_question
from analysis.report import Report
from schemas import empty
from schemas.outputs import CoachingEffect, Technique, Tolerance
from tests.shops import report


@cache
def steps() -> list[str]:
    return report().steps.get_column("step").to_list()


def with_verdicts(*verdicts: str, hi: float = 0.1, **tables: pl.DataFrame) -> Report:
    """The report with these verdicts for its first steps, `no_sign` for the others, this upper limit, and other tables."""
    by_step = dict(zip(steps(), verdicts, strict=False))
    all_verdicts = [by_step.get(step, "no_sign") for step in steps()]
    return replace(
        report(), steps=report().steps.with_columns(verdict=pl.Series(all_verdicts), hi=pl.lit(hi)), **tables
    )


def misses(step: str, who: str = "Wren", **others: Any) -> dict[str, Any]:
    usual = {
        "technician": who, "step": step, "recorded": 100, "missed": 40, "share": 0.4, "peer_share": 0.1, "excess": 0.3,
        "lo": 0.2, "hi": 0.4, "preventable": 2.0, "coach_rank": 1, "preventable_lo": 0.5, "preventable_hi": 3.5,
        "p_value": 0.0001, "q_value": 0.001, "clear": True,
    }  # fmt: skip
    return usual | others


def technique(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=empty(Technique).schema)


def cards_of(audited: Report) -> dict[str, Any]:
    return {card.name: card for card in coaching_cards(audited)}


def test_a_costly_step_missed_beyond_peers_is_a_line_with_limits_of_its_comebacks() -> None:
    (card,) = coaching_cards(with_verdicts("costs_comebacks", technique=technique(misses(steps()[0]))))
    assert "Costs about 2.0 (0.5–3.5) comebacks a year." in card.lines[0]


def test_a_step_whose_cost_is_ruled_out_is_named_as_low_priority() -> None:
    (card,) = coaching_cards(with_verdicts("no_sign", technique=technique(misses(steps()[0]))))
    assert card.lines == ()
    assert "a cost above 0.2 comebacks per 100 bleeds is unlikely (95% interval): low priority" in card.note


def test_a_step_whose_cost_is_not_ruled_out_is_not_called_low_priority() -> None:
    (card,) = coaching_cards(with_verdicts("no_sign", hi=0.43, technique=technique(misses(steps()[0]))))
    assert "at most 0.5 comebacks per 100 bleeds (upper 95% limit)" in card.note
    assert "keep the step" in card.note
    effects = pl.DataFrame([coached(steps()[0], -0.05, -0.2, 0.1)], schema=empty(CoachingEffect).schema).with_columns(
        coached_on=pl.lit("2026-01-05").str.to_date()
    )
    question = coaching_question(with_verdicts("no_sign", hi=0.43, coaching=effects))
    assert "Keep the step" in question.action
    assert "not a priority" not in question.action


def test_a_step_that_only_goes_with_comebacks_is_not_said_to_lead_to_them() -> None:
    finding = step_finding(with_verdicts("goes_with_comebacks"))
    assert finding.text == "Some missed steps go with more comebacks; this log cannot show that they cause them."
    assert "This is observational evidence, not an experiment" in finding.detail


def test_a_costly_step_says_how_strong_an_unrecorded_cause_would_have_to_be() -> None:
    audited = with_verdicts("costs_comebacks")
    steps_table = audited.steps.with_columns(
        benchmark=pl.lit("hose_route"), times_benchmark=pl.lit(2.34), rank=pl.lit(1)
    )
    (point,) = robustness_points(replace(audited, steps=steps_table))
    assert "would need 2.3 times the distorting effect of the recorded differences in hose routing" in point


def test_nobody_marked_on_the_chart_has_a_card_without_a_difference() -> None:
    audited = with_verdicts(
        "costs_comebacks",
        technique=technique(
            misses(steps()[0]),
            misses(steps()[1], "Ash"),
            misses(steps()[0], "Elm", coach_rank=None, preventable=-1.0),
            misses(steps()[2], "Rowan", excess=0.01, lo=-0.1, hi=0.12, coach_rank=None, q_value=0.6, clear=False),
        ),
    )
    on_chart = set(missed_more_than_peers(audited).get_column("technician"))
    assert on_chart == {"Wren", "Ash", "Elm"}
    quiet = [name for name, card in cards_of(audited).items() if "not clearly miss any step" in card.note]
    assert not any(name in group for name in on_chart for group in quiet)
    answer = next(q.answer for q in trainer_questions(audited) if q.id == "cards")
    assert (
        "Ash, Wren and Elm clearly miss a step more often than peers, including colleagues in the same workshop (3 of 4 technicians)."
        in answer.text
    )
    assert answer.detail.endswith("1 card is about steps that lead to comebacks.")


def coached(step: str, change: float, lo: float, hi: float) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(empty(CoachingEffect).columns)
    sides = {"missed_before": 0.4, "missed_after": 0.35, "recorded_before": 50, "recorded_after": 60, "clear": False}
    return row | {"technician": "Wren", "step": step, "change": change, "lo": lo, "hi": hi} | sides


def test_coaching_again_is_advised_only_where_the_step_costs_comebacks() -> None:
    rows = [coached(steps()[0], -0.05, -0.2, 0.1), coached(steps()[1], -0.05, -0.2, 0.1)]
    effects = pl.DataFrame(rows, schema=empty(CoachingEffect).schema).with_columns(
        coached_on=pl.lit("2026-01-05").str.to_date()
    )
    audited = with_verdicts("costs_comebacks", "no_sign", coaching=effects)
    titles = {step.id: step.title for step in audited.standard.steps}
    question = coaching_question(audited)
    again, _, rest = question.action.partition(". No clear change on ")
    assert f"Wren on “{titles[steps()[0]]}”" in again
    assert titles[steps()[1]] not in again
    assert rest.startswith(f"“{titles[steps()[1]]}”, but a cost above 0.2 comebacks per 100 bleeds is unlikely")
    assert (
        "Missed in 40% of 50 bleeds in the six months ending three months before the session, in 35% of 60 in the six months after"
        in question.points[0]
    )


def curve(step: str, *limits: tuple[float, float], q: float = 0.01) -> pl.DataFrame:
    rows = [
        {
            "step": step,
            "field": "bubbles_last",
            "reading": 3.0 * k,
            "bleeds": 50,
            "risk": (lo + hi) / 2,
            "lo": lo,
            "hi": hi,
            "p_value": q / 2,
            "q_value": q,
        }
        for k, (lo, hi) in enumerate(limits)
    ]
    return pl.DataFrame(rows, schema=empty(Tolerance).schema)


def tolerance_of(audited: Report) -> Any:
    return next(q for q in trainer_questions(audited) if q.id == "tolerance")


def test_a_clear_curve_is_put_into_words_by_its_most_certain_extremes() -> None:
    audited = with_verdicts(
        "costs_comebacks", tolerance=curve(steps()[0], (0.02, 0.04), (0.02, 0.3), (0.06, 0.12), (0.03, 0.4))
    )
    question = tolerance_of(audited)
    assert question.answer.text == "Comeback risk clearly changes with 1 of 1 reading: bubbles in the last pass."
    assert "9.0% (6.0–12.0%) at 6, 3.0% (2.0–4.0%) at 0" in question.figures[0]
    assert question.points == ()


def test_a_costly_step_with_a_flat_curve_says_why_both_may_be_right() -> None:
    audited = with_verdicts("costs_comebacks", tolerance=curve(steps()[0], (0.02, 0.04), (0.06, 0.12), q=0.06))
    assert tolerance_of(audited).answer.text.startswith("For none of the 1 reading")
    assert "is less sensitive than the step estimate" in tolerance_of(audited).points[0]


def test_a_changing_curve_under_a_step_without_a_cost_says_so_too() -> None:
    audited = with_verdicts("no_sign", tolerance=curve(steps()[0], (0.02, 0.04), (0.06, 0.12)))
    assert (
        "The curve may be a false alarm: keep the limit unless a trial says otherwise."
        in tolerance_of(audited).points[0]
    )


def test_readings_counted_together_are_called_6_or_more_in_words_table_and_chart() -> None:
    pooled = pl.when(pl.col("reading") == 6).then(pl.lit("6+"))
    audited = with_verdicts(
        "costs_comebacks",
        tolerance=curve(steps()[0], (0.02, 0.04), (0.02, 0.3), (0.06, 0.12)).with_columns(pooled=pooled),
    )
    question = tolerance_of(audited)
    assert "at 6+, 3.0% (2.0–4.0%) at 0" in question.figures[0]
    assert "6+" in str(question.table)
    assert "6+" in str(question.charts)


def test_a_step_that_a_whole_workshop_misses_is_not_charged_to_one_of_them() -> None:
    rows = technique(misses(steps()[0], beyond_shop=False), misses(steps()[0], "Ash", beyond_shop=True))
    audited = with_verdicts("costs_comebacks", technique=rows)
    cards = cards_of(audited)
    assert "more, but not clearly more than colleagues in the same workshop." in cards["Wren"].lines[0]
    assert "points (20–40) more. Costs" in cards["Ash"].lines[0]
    answer = next(q.answer for q in trainer_questions(audited) if q.id == "cards")
    assert answer.text.startswith(
        "Ash clearly misses a step more often than peers, including colleagues in the same workshop (1 of 2 technicians)."
    )
    alike = with_verdicts(
        "costs_comebacks",
        technique=technique(misses(steps()[0], beyond_shop=False)),
        early_signs=report().early_signs.clear(),
    )
    two = replace(alike, technique=pl.concat([alike.technique, technique(misses(steps()[0], "Ash", clear=False))]))
    nobody = next(q.answer for q in trainer_questions(two) if q.id == "cards")
    assert (
        nobody.text
        == "Compared with colleagues in the same workshop, no technician clearly misses a step more often than peers."
    )
    assert (
        "1 other misses a step more often than peers, but not clearly more often than colleagues in the same workshop."
        in answer.detail
    )


def test_an_improvement_in_copied_entries_says_so() -> None:
    better = misses(
        steps()[0], clear=False, excess=0.0, improved_since=dt.date(2026, 1, 5), share_before=0.7, recorded_before=50
    )
    flags = (
        report()
        .credibility.head(1)
        .with_columns(technician=pl.lit("Wren"), test=pl.lit("copied_entries"), flag=pl.lit(True))
    )
    audited = with_verdicts("costs_comebacks", technique=technique(better))
    doubted = cards_of(replace(audited, credibility=flags))["Wren"].note
    assert ", from 70.0% (56.2–80.9%) of the 50 bleeds before then to 40.0% (30.9–49.8%) of the last 100." in doubted
    assert "look copied from another bleed: check first." in doubted
    assert "copied" not in cards_of(replace(audited, credibility=flags.clear()))["Wren"].note
