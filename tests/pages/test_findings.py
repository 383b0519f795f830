"""Sentences say what the figures say: whom not to blame, which way a step moved, why no risk is given."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import polars as pl
import pytest

from analysis.pages import ending
from analysis.pages.cards import _whole_workshop
from analysis.pages.findings import change_sentence, difference_sentence
from analysis.pages.lead import lead_questions
from analysis.pages.risk_model import risk_model
from analysis.pages.second_look import second_checks, worklist
from analysis.report import Report
from tests.pages.foretold import foretold
from tests.shops import report


@cache
def worst() -> str:
    people = report().rates.filter(pl.col("kind") == "technician", pl.col("mature") >= 30).sort("rate", "group")
    return str(people.get_column("group")[-1])


def with_worst(expected: float, ratio: tuple[float, float, float], signal: str = "none") -> Report:
    """The report, its technician of the highest raw rate held against other figures."""
    is_worst = (pl.col("kind") == "technician") & (pl.col("group") == worst())
    new = {"expected": expected, "ratio": ratio[0], "ratio_lo": ratio[1], "ratio_hi": ratio[2], "signal": signal}
    rates = report().rates.with_columns(
        pl.when(is_worst).then(pl.lit(value)).otherwise(pl.col(name)).alias(name) for name, value in new.items()
    )
    return replace(report(), too_few=False, rates=rates)


def test_a_month_that_stands_out_without_a_change_is_told_and_not_denied() -> None:
    month = report().months.filter(pl.col("kind") == "all").get_column("month")[3]
    out = (pl.col("kind") == "all") & (pl.col("month") == month)
    signal = pl.when(out).then(pl.lit("high")).otherwise(pl.lit("none"))
    quiet = report().months.with_columns(centre=pl.lit(0.05), change_began=pl.lit(False), signal=pl.lit("none"))
    loud = replace(report(), months=quiet.with_columns(signal=signal))
    assert change_sentence(loud).startswith(f"No change that can be dated: all workshops together ({month}) stood out")
    assert change_sentence(replace(report(), months=quiet)).startswith("No change beyond chance")


def test_the_worst_raw_rate_below_its_expectation_is_not_to_be_blamed() -> None:
    told = difference_sentence(with_worst(99.0, (0.2, 0.1, 0.4)))
    assert f"{worst()} has the highest raw rate" in told
    assert "not to be blamed" in told


def test_the_worst_raw_rate_above_its_expectation_is_not_acquitted() -> None:
    told = difference_sentence(with_worst(1.0, (1.41, 0.98, 1.93)))
    assert "not to be blamed" not in told
    assert "1.41 (0.98 to 1.93) times as many; its work and chance can explain it" in told


def test_a_signal_on_the_worst_raw_rate_is_no_acquittal() -> None:
    told = difference_sentence(with_worst(1.0, (3.0, 2.0, 4.0), "high"))
    assert "highest raw rate" not in told
    assert f"{worst()} has more comebacks than the same work explains" in told


@pytest.mark.parametrize(("missed_since", "way"), [(True, "more often"), (False, "less often")])
def test_a_step_that_moved_with_a_change_says_which_way(missed_since: bool, way: str) -> None:
    told = report()
    step = told.ready.missed.columns[1]
    month = told.months.filter(pl.col("kind") == "all").get_column("month")[12]
    began = (pl.col("kind") == "all") & (pl.col("month") == month)
    months = told.months.with_columns(
        centre=pl.lit(0.05), change_began=began, step_moved=pl.when(began).then(pl.lit(step))
    )
    since = told.ready.bleeds.get_column("month") >= month
    missed = told.ready.missed.with_columns((since if missed_since else ~since).alias(step))
    sentence = change_sentence(replace(told, months=months, ready=replace(told.ready, missed=missed)))
    assert f"began to be missed {way}" in sentence
    before, after = ("0.00", "100.00") if missed_since else ("100.00", "0.00")
    bleeds = int((~since).sum()), int(since.sum())
    assert f": {before}% of {bleeds[0]} bleeds (" in sentence
    assert f") before, {after}% of {bleeds[1]} bleeds (" in sentence


def test_no_risk_of_too_few_comebacks_is_told_apart_from_no_risk_of_enough() -> None:
    none = {
        "risk": report().risk.clear(),
        "second_checks": report().second_checks.clear(),
        "model": report().model.clear(),
    }
    few, enough = (replace(report(), too_few=few, comebacks=n, **none) for few, n in ((True, 12), (False, 55)))
    for question in (worklist, second_checks, risk_model):
        assert "12 linked comebacks" in question(few).answer
        assert "too few to tell" in question(few).answer
        assert "55 linked comebacks" in question(enough).answer
        assert "too few" not in question(enough).answer


def test_the_worklist_shows_its_bleeds_with_risk_interval_and_reason() -> None:
    told = worklist(foretold(report()))
    assert told.answer.startswith("4 bleeds of the last")
    assert "50.0% (40.0 to 60.0%)" in told.points[0] or "50% (40 to 60%)" in told.points[0]
    assert "because bubbles still came" in told.points[0]
    assert "no reason found" in told.points[1]
    assert told.table is not None
    assert [row[5].sort for row in told.table.rows] == pytest.approx([0.5, 0.49, 0.48, 0.47])


def test_a_worklist_without_recent_bleeds_says_so() -> None:
    told = worklist(foretold(report(), listed=0))
    assert "nothing to check today" in told.answer
    assert not told.charts


def test_second_checks_tell_what_the_time_there_is_would_meet() -> None:
    """The standard has time for 15 checks a week: 20% of bleeds are 8 a week, 50% are 20."""
    told = second_checks(foretold(report()))
    assert told.answer.startswith("Checking 20% of bleeds (8 a week) looks at 51 of 100 that would come back")
    assert told.answer.endswith("A check finds 70% of those.")
    assert "there is time for (15 a week): 20% of bleeds, about" in told.points[0]
    assert "5% of bleeds, about 12 hours a year" in told.points[1]


def test_second_checks_that_never_pay_say_so() -> None:
    dear = foretold(report())
    checks = dear.second_checks.with_columns(minutes_saved=pl.lit(-5.0))
    assert "no share of checks pays for itself" in second_checks(replace(dear, second_checks=checks)).points[1]


def test_the_risks_are_told_beside_the_rules_they_must_beat() -> None:
    told = risk_model(foretold(report()))
    assert told.answer == (
        "Of a bleed that came back and one that did not, the risks name the right one 72% (66 to 78%) of the time "
        "(by lever travel 64% and by missed steps 61%; by chance 50%), in 690 bleeds with 41 comebacks foretold before "
        "their outcome was known."
    )
    assert "clearly better than constant, not clearly better than" in told.points[0]


def test_risks_too_far_apart_and_a_quarter_that_drifts_are_said_so() -> None:
    told = " ".join(risk_model(foretold(report())).points)
    assert "1.04 (0.81 to 1.33) times as many came back as the risks told: as told" in told
    assert "0.71 (0.52 to 0.90): the risks lie too far apart" in told
    assert "depart from 1 in 2025 Q4 1.9 (1.2 to 2.9)" in told
    assert "2025 Q3" not in told
    assert "fair to all as far as this log tells" in told


def test_risks_no_better_than_chance_are_called_so() -> None:
    poor = foretold(report())
    is_auc = pl.col("metric") == "auc"
    model = poor.model.with_columns(lo=pl.when(is_auc).then(0.45).otherwise("lo"))
    assert risk_model(replace(poor, model=model)).answer.endswith("no better than chance, as far as this log tells.")


def test_the_lead_reads_what_is_urgent_first() -> None:
    order = [question.id for question in lead_questions(report())]
    assert order == ["holds", "rate", "months", "where", "steps", "worklist", "second-checks", "costs"]


def with_changes(*changes: tuple[str, str]) -> Report:
    """The report with a change told for these kinds and groups, all at one month and with one step."""
    shop = report()
    month = shop.months.get_column("month").unique().sort()[-8]
    step = shop.ready.missed.columns[1]
    here = pl.lit(False)
    for kind, group in changes:
        here = here | ((pl.col("kind") == kind) & (pl.col("group") == group) & (pl.col("month") == month))
    months = shop.months.with_columns(change_began=here, step_moved=pl.when(here).then(pl.lit(step)))
    return replace(shop, months=months)


def a_shop() -> str:
    return str(report().months.filter(pl.col("kind") == "shop").get_column("group")[0])


def test_a_change_of_one_workshop_is_not_told_again_for_all_of_them_together() -> None:
    both, alone = with_changes(("all", "all"), ("shop", a_shop())), with_changes(("all", "all"))
    assert "all workshops together" not in change_sentence(both)
    assert a_shop() in change_sentence(both)
    assert "all workshops together" in change_sentence(alone)


def test_a_card_says_when_the_whole_workshop_misses_the_step_at_another_rate() -> None:
    changed = with_changes(("shop", a_shop()))
    step = changed.months.filter("change_began").get_column("step_moved")[0]
    of_the_shop = changed.log.sessions.filter(pl.col("shop") == a_shop()).get_column("technician").unique()
    chosen = pl.DataFrame({"step": [step]})
    assert "ask about the kit and the procedure" in _whole_workshop(changed, str(of_the_shop[0]), chosen)
    assert _whole_workshop(changed, str(of_the_shop[0]), pl.DataFrame({"step": ["another"]})) == ""
    assert _whole_workshop(report(), str(of_the_shop[0]), chosen) == ""


def test_the_end_of_a_run_warns_of_names_written_in_several_ways(tmp_path) -> None:
    said = "the technicians 'Ann' (2 bleeds), 'ann' (1 bleed) differ only in capitals and count as different people"
    told = replace(report(), log=replace(report().log, warnings=(said, "another note")))
    (warning,) = [line for line in ending(told, tmp_path) if line.startswith("Warning")]
    assert warning.startswith("Warning: 1 technician's name is written in several ways")
    assert not [line for line in ending(report(), tmp_path) if "several ways" in line]
