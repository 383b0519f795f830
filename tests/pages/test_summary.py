"""Findings say what the figures say: who is no concern, which way a step moved, why no risk is given."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache

import polars as pl
import pytest

from analysis.boards.analyst_board import _recordable_field_labels, _shares_recorded
from analysis.pages import terminal_summary
from analysis.pages.analyst import analyst_questions
from analysis.pages.analyst_model import model_question
from analysis.pages.lead import lead_questions
from analysis.pages.lead_differences import difference_finding, difference_question
from analysis.pages.lead_rates import change_finding, rate_finding, trend_finding
from analysis.pages.lead_since import findings_since_last_audit
from analysis.pages.lead_worklist import second_check_question, worklist_question
from analysis.pages.question import Finding
from analysis.pages.text import month_name
from analysis.pages.trainer import trainer_questions
from analysis.pages.trainer_cards import _workshop_change_notes
from analysis.report import Report
from schemas import empty
from schemas.outputs import Changes, Predictions
from tests.pages.predicted import with_predictions
from tests.shops import report


@cache
def worst() -> str:
    people = report().rates.filter(pl.col("kind") == "technician", pl.col("mature") >= 30).sort("rate", "group")
    return str(people.get_column("group")[-1])


def with_worst(expected: float, ratio: tuple[float, float, float], signal: str = "none") -> Report:
    """The report with other figures for the technician of the highest unadjusted rate."""
    is_worst = (pl.col("kind") == "technician") & (pl.col("group") == worst())
    new = {"expected": expected, "ratio": ratio[0], "ratio_lo": ratio[1], "ratio_hi": ratio[2], "signal": signal}
    rates = report().rates.with_columns(
        pl.when(is_worst).then(pl.lit(value)).otherwise(pl.col(name)).alias(name) for name, value in new.items()
    )
    return replace(report(), small_sample=False, rates=rates)


def test_a_month_out_of_control_without_a_dated_change_is_reported() -> None:
    month = report().months.filter(pl.col("kind") == "all").get_column("month")[3]
    out = (pl.col("kind") == "all") & (pl.col("month") == month)
    signal = pl.when(out).then(pl.lit("high")).otherwise(pl.lit("none"))
    quiet = report().months.with_columns(centre=pl.lit(0.05), change_began=pl.lit(False), signal=pl.lit("none"))
    unmoved = replace(report(), early_signs=report().early_signs.clear())
    loud = replace(unmoved, months=quiet.with_columns(signal=signal))
    assert "no lasting change can be dated" in change_finding(loud).text
    assert change_finding(loud).detail == f"All workshops together ({month_name(month)})."
    assert change_finding(replace(unmoved, months=quiet)).text.startswith("No clear change")


def test_the_highest_rate_below_its_expectation_is_no_clear_difference() -> None:
    finding = difference_finding(with_worst(99.0, (0.2, 0.1, 0.4)))
    assert f"{worst()} has the highest unadjusted rate: " in finding.text
    assert ", 99 expected for that work." in finding.text
    assert "the highest unadjusted rate" in finding.detail


def test_the_highest_rate_above_its_expectation_is_not_acquitted() -> None:
    finding = difference_finding(with_worst(1.0, (1.41, 0.98, 1.93)))
    assert f"{worst()} has the highest rate but does not clearly differ" in finding.text
    assert "Ratio 1.41 (0.98–1.93)" in finding.detail


def test_a_flag_on_the_highest_rate_is_reported_with_its_expectation() -> None:
    finding = difference_finding(with_worst(1.0, (3.0, 2.0, 4.0), "high"))
    assert "highest rate" not in finding.text
    assert f"{worst()} had" in finding.text
    assert "1 expected for the same mix of work." in finding.text


def test_the_kinds_of_work_that_are_flagged_are_named() -> None:
    """A kind with a group of more comebacks is named by it, one that has only fewer by those; a technician by name alone."""
    kinds = {"brake": ("front", "rear"), "hose_route": ("internal",), "brake_model": ("Tuff 4",)}
    row = report().rates.filter(pl.col("kind") == "brake").head(1)
    low = (pl.col("kind") == "brake_model") | (pl.col("group") == "front")
    flagged = pl.concat(
        [row.with_columns(kind=pl.lit(kind), group=pl.lit(group)) for kind, groups in kinds.items() for group in groups]
    ).with_columns(signal=pl.when(low).then(pl.lit("low")).otherwise(pl.lit("high")))
    plain = with_worst(99.0, (0.2, 0.1, 0.4)).rates.with_columns(signal=pl.lit("none"))
    others = plain.filter(~pl.col("kind").is_in(list(kinds)))
    text = difference_finding(replace(report(), small_sample=False, rates=pl.concat([others, flagged]))).text
    assert text.endswith("More comebacks than expected: rear brakes and internal hoses. Fewer than expected: Tuff 4.")


def test_a_change_that_is_first_reported_now_stands_in_the_headline_as_not_yet_confirmed() -> None:
    """So that the overview does not say that nothing is new, and then what has got worse."""
    schema = empty(Changes).schema
    new_change = {"kind": "change_named", "subject_kind": "shop", "subject": "Velmoor", "state_now": "2025-07"}
    changes = pl.DataFrame([dict.fromkeys(schema) | new_change | {"confirmed": False, "note": ""}], schema=schema)
    (new,), (quiet,) = (
        findings_since_last_audit(replace(report(), look=2, changes=table)) for table in (changes, changes.clear())
    )
    assert new.text.endswith("Not yet confirmed by the stricter test for repeated audits: the change at Velmoor.")
    assert quiet.text.endswith("No new difference.")


@pytest.mark.parametrize(("missed_since", "way"), [(True, "from 0% to 100%"), (False, "from 100% to 0%")])
def test_a_step_that_moved_with_a_change_says_which_way(missed_since: bool, way: str) -> None:
    audited = report()
    step = audited.data.missed.columns[1]
    month = audited.months.filter(pl.col("kind") == "all").get_column("month")[12]
    began = (pl.col("kind") == "all") & (pl.col("month") == month)
    months = audited.months.with_columns(
        centre=pl.lit(0.05), change_began=began, step_moved=pl.when(began).then(pl.lit(step))
    )
    since = audited.data.bleeds.get_column("month") >= month
    missed = audited.data.missed.with_columns((since if missed_since else ~since).alias(step))
    finding = change_finding(replace(audited, months=months, data=replace(audited.data, missed=missed)))
    assert f"went {way} of bleeds" in finding.text
    before, after = ("0.0", "100.0") if missed_since else ("100.0", "0.0")
    bleeds = int((~since).sum()), int(since.sum())
    assert f": {before}% of {bleeds[0]:,} bleeds (" in finding.detail
    assert f" before, {after}% of {bleeds[1]:,} bleeds (" in finding.detail


def test_no_risk_gives_its_reason() -> None:
    none = {
        "risk": report().risk.clear(),
        "second_checks": report().second_checks.clear(),
        "model": report().model.clear(),
    }
    few, enough = (replace(report(), small_sample=few, comebacks=n, **none) for few, n in ((True, 12), (False, 55)))
    for question in (worklist_question, second_check_question, model_question):
        assert "12 comebacks" in question(few).answer.text
        assert "at least 40" in question(few).answer.text
        assert "55 comebacks" in question(enough).answer.detail
        assert "at least" not in question(enough).answer.text


def test_the_worklist_shows_its_bleeds_with_risk_interval_and_reason() -> None:
    question = worklist_question(with_predictions(report()))
    assert question.answer.text.startswith("4 bleeds to check")
    assert "risk 50.0% (40.0–60.0%); bubbles still came" in question.points[0]
    assert "no reason found" in question.points[1]
    assert question.table is not None
    risk = question.table.headings.index("risk")
    assert [row[risk].sort for row in question.table.rows] == pytest.approx([0.5, 0.49, 0.48, 0.47])


def test_a_worklist_that_ends_at_the_break_even_risk_says_so() -> None:
    """Of the bleeds of the last days only some reach the risk from which a check pays, though there is time for more."""
    base = with_predictions(report())
    days = (base.as_of - base.data.bleeds.filter(pl.col("end") == "as_of")["started_at"].dt.date().sort()[-9]).days + 1
    check = replace(base.standard.second_check, worklist_days=days, per_week=15.0)
    text = worklist_question(replace(base, standard=replace(base.standard, second_check=check))).answer
    assert text.text == ("4 bleeds to check today. Others would cost more bench time than they save, safety aside.")
    assert "a check pays for itself above a risk of" in text.detail


def test_a_worklist_without_recent_bleeds_says_so() -> None:
    question = worklist_question(with_predictions(report(), listed=0))
    assert question.answer.text == "Nothing to check today."
    assert not question.charts


def test_second_checks_begin_with_the_number_that_saves_most() -> None:
    """The fixture saves 900 - 4000 * share minutes at 40 * share checks a week: 700 at 2 a week, none at 9."""
    question = second_check_question(with_predictions(report()))
    assert question.answer.text == (
        "About 2 checks a week save the most bench time: 12 h a year, covering 21% of comebacks. "
        "About 9 would break even; more only cost bench time, safety aside."
    )
    assert question.answer.detail.startswith(
        "That is the riskiest 5% of bleeds; of those checked, 1 in 4 would come back."
    )
    assert question.points[0] == (
        "The procedure allows for 15 a week (built-in default), covering 51% of comebacks, saving 2 h a year."
    )


def test_second_checks_that_never_pay_say_so() -> None:
    dear = with_predictions(report())
    checks = dear.second_checks.with_columns(minutes_saved=pl.lit(-90.0))
    question = second_check_question(replace(dear, second_checks=checks))
    assert "costs more bench time than it saves" in question.answer.text
    assert question.points[0].endswith(", costing 2 h a year.")


@pytest.mark.parametrize(
    ("a_week", "words"), [(1.2, "About 1 check a week saves"), (0.32, "About 0.3 checks a week save")]
)
def test_few_checks_a_week_are_counted_in_their_own_words(a_week: float, words: str) -> None:
    few = with_predictions(report())
    checks = few.second_checks.with_columns(checks_per_week=pl.lit(a_week))
    assert second_check_question(replace(few, second_checks=checks)).answer.text.startswith(words)


def test_the_model_is_shown_against_the_rules_it_must_beat() -> None:
    question = model_question(with_predictions(report()))
    assert (
        question.answer.text
        == "Fair at ranking later bleeds (AUC 0.72, 95% interval 0.66–0.78), but not clearly better than gradient-boosted trees (default settings)."
    )
    assert question.answer.detail == (
        "690 bleeds with 41 comebacks; lever travel alone 0.64; a count of missed steps 0.61."
    )
    assert "clearly better than the comeback rate known by then, not clearly better than" in question.points[0]


def test_extreme_risks_and_a_drifting_quarter_are_reported() -> None:
    points = " ".join(model_question(with_predictions(report())).points)
    assert "Observed/predicted 1.04 (0.81–1.33)." in points
    assert "0.71 (0.52–0.90): the risks are too extreme" in points
    assert "differs from 1 in 2025 Q4, 1.9 (1.2–2.9)" in points
    assert "2025 Q3" not in points
    assert "No evidence that the risks are too high for some" in points


def test_a_simple_rule_is_recommended_only_where_the_risks_gain_little() -> None:
    """The fixture's upper limit of 0.01 is 5% of a log loss of 0.21; 0.03 may still be worth having."""
    audited, gain = with_predictions(report()), pl.col("baseline_name") == "default trees"
    for upper, recommended in ((0.01, True), (0.03, False)):
        hi = pl.when((pl.col("metric") == "log_loss_gain") & gain).then(upper).otherwise("hi")
        action = model_question(replace(audited, model=audited.model.with_columns(hi=hi))).action
        assert ("gradient-boosted trees" in action) == recommended


def test_the_model_is_shown_with_what_became_of_earlier_predictions() -> None:
    schema = empty(Predictions).schema
    row = dict.fromkeys(schema) | {
        "from_day": dt.date(2026, 5, 31), "to_day": dt.date(2026, 6, 30), "group": "all", "bleeds": 555, "expected": 8.0,
        "expected_se": 1.0, "observed": 12, "ratio": 1.5, "ratio_lo": 0.8, "ratio_hi": 2.7, "look": 1, "signal": "none",
    }  # fmt: skip
    later = replace(with_predictions(report()), predictions=pl.DataFrame([row], schema=schema))
    assert (
        model_question(later)
        .points[-1]
        .startswith("The model predicted 8.0 comebacks after 31 May 2026; there were 12.")
    )


def test_the_repair_list_begins_with_what_is_lost() -> None:
    rows = [
        ("parts_cost", "unreadable", "value_blanked"), ("parts_cost", "unreadable", "value_blanked"),
        ("comeback_id", "exact_copy", "duplicate"), (None, "no_bleed_found", "unlinked"),
        ("bike_id", "required_missing", "row_set_aside"),
    ]  # fmt: skip
    schema = report().set_aside.schema
    table = pl.DataFrame(
        [dict.fromkeys(schema) | {"table": "comebacks", "file": "f", "row": at, "column": column, "rule": rule, "action": action}
         for at, (column, rule, action) in enumerate(rows)], schema=schema,
    )  # fmt: skip
    (question,) = [one for one in analyst_questions(replace(report(), set_aside=table)) if one.id == "rows"]
    assert question.table is not None
    counts = [row[0].text for row in question.table.rows]
    assert counts == ["1", "1", "2", "1"]
    assert question.table.rows[0][2].text == "bike"
    assert "most frequent" not in question.table.caption


def test_page_and_board_count_the_same_fields() -> None:
    audited = report()
    (question,) = [one for one in analyst_questions(audited) if one.id == "recorded"]
    recorded = _shares_recorded(audited)
    assert question.answer.text.startswith(f"{len(recorded)} of {len(_recordable_field_labels())} fields")


def test_the_analyst_and_the_trainer_say_which_patterns_were_tested() -> None:
    (recorded,) = [one for one in analyst_questions(report()) if one.id == "recorded"]
    (log,) = [one for one in trainer_questions(report()) if one.id == "log"]
    for text in (" ".join(recorded.points), log.method):
        assert "Tested for each technician: rounded readings, " in text
        assert "Late entries only show across the whole log" in text


def test_risks_no_better_than_chance_are_called_so() -> None:
    poor = with_predictions(report())
    is_auc = pl.col("metric") == "auc"
    model = poor.model.with_columns(lo=pl.when(is_auc).then(0.45).otherwise("lo"))
    assert model_question(replace(poor, model=model)).answer.text.startswith("Not clearly better than chance")


def test_the_lead_reads_what_is_urgent_first() -> None:
    order = [question.id for question in lead_questions(report())]
    assert order == ["holds", "rate", "months", "where", "steps", "worklist", "second-checks", "costs"]


def with_changes(*changes: tuple[str, str]) -> Report:
    """The report with a change for these kinds and groups, all in one month and with one step."""
    shop = report()
    month = shop.months.get_column("month").unique().sort()[-8]
    step = shop.data.missed.columns[1]
    here = pl.lit(False)
    for kind, group in changes:
        here = here | ((pl.col("kind") == kind) & (pl.col("group") == group) & (pl.col("month") == month))
    months = shop.months.with_columns(change_began=here, step_moved=pl.when(here).then(pl.lit(step)))
    return replace(shop, months=months)


def a_shop() -> str:
    return str(report().months.filter(pl.col("kind") == "shop").get_column("group")[0])


def test_a_change_of_one_workshop_is_not_repeated_for_all_of_them_together() -> None:
    both, alone = with_changes(("all", "all"), ("shop", a_shop())), with_changes(("all", "all"))
    assert "All workshops together" not in change_finding(both).text
    assert a_shop() in change_finding(both).text
    assert "All workshops together" in change_finding(alone).text


def test_a_card_says_when_the_whole_workshop_misses_the_step_at_a_different_rate() -> None:
    changed = with_changes(("shop", a_shop()))
    step = changed.months.filter("change_began").get_column("step_moved")[0]
    of_the_shop = changed.log.sessions.filter(pl.col("shop") == a_shop()).get_column("technician").unique()
    chosen = pl.DataFrame({"step": [step]})
    (note,) = _workshop_change_notes(changed, str(of_the_shop[0]), chosen)
    assert "check kit and procedure first" in note
    assert _workshop_change_notes(changed, str(of_the_shop[0]), pl.DataFrame({"step": ["another"]})) == []
    assert _workshop_change_notes(report(), str(of_the_shop[0]), chosen) == []


def test_the_terminal_warns_of_names_spelled_in_several_ways(tmp_path) -> None:
    said = "the technicians 'Ann' (2 bleeds), 'ann' (1 bleed) differ only in capitals; they are counted as different people"
    audited = replace(report(), log=replace(report().log, warnings=(said, "another note")))
    (warning,) = [line for line in terminal_summary(audited, tmp_path) if line.startswith("Warning")]
    assert warning.startswith("Warning: One technician's name is spelled in several ways")
    assert not [line for line in terminal_summary(report(), tmp_path) if "several ways" in line]


def test_one_technician_in_one_shop_is_compared_with_nobody() -> None:
    work = report().rates.filter(~pl.col("kind").is_in(["shop", "technician"]))
    one = report().rates.filter(kind="all").with_columns(expected=pl.lit(None, pl.Float64), signal=pl.lit("too_few"))
    rows = [
        one.with_columns(kind=pl.lit(kind), group=pl.lit(name))
        for kind, name in (("shop", "Tarnholt"), ("technician", "Wren"))
    ]
    rows = difference_finding(replace(report(), small_sample=False, rates=pl.concat([work, *rows])))
    assert rows.text.startswith(
        "Tarnholt is the only workshop: there is nobody to compare with. "
        "Wren is the only technician: there is nobody to compare with."
    )


def test_a_technician_whose_shop_is_in_question_is_not_acquitted() -> None:
    rows = difference_finding(with_worst(99.0, (0.2, 0.1, 0.4), "in_question"))
    assert worst() not in rows.text


def test_months_in_question_are_not_called_too_few() -> None:
    questions = report().months.with_columns(centre=pl.lit(None, pl.Float64), signal=pl.lit("in_question"))
    assert "on which days returns were recorded" in change_finding(replace(report(), months=questions)).text


def test_without_returns_no_rate_is_given() -> None:
    audited = replace(report(), comebacks=0, log=replace(report().log, has_comebacks_table=False))
    assert rate_finding(audited).text == "Comeback rate unknown: no returns were read."
    assert trend_finding(report()) is not None
    assert trend_finding(audited) is None


def test_the_trend_is_the_last_year_against_the_year_before() -> None:
    """8 of 100 against 4 of 100, months alike: Newcombe 1998 gives 4 points, -3.0 to 11.4 (formula worked by hand)."""
    last = report().as_of - dt.timedelta(days=report().window_days)
    days = [last - dt.timedelta(days=ago) for ago in [*range(100), *range(365, 465), 729]]
    back = [i % 12 == 6 for i in range(100)] + [i % 25 == 9 for i in range(100)] + [False]
    frame = pl.DataFrame({"started_at": days, "came_back": back, "mature": True})
    bleeds = frame.with_columns(pl.col("started_at").cast(pl.Datetime))

    def of(rows: pl.DataFrame) -> Finding | None:
        return trend_finding(replace(report(), data=replace(report().data, bleeds=rows)))

    finding = of(bleeds)
    assert finding is not None
    assert finding.text == "The comeback rate has not clearly changed from the year before."
    assert finding.detail.startswith("+4 points (−3 to 11), 95% interval.")
    assert of(bleeds.head(100)) is None


def test_comebacks_of_comebacks_have_a_rate_of_their_own() -> None:
    """Counted again from the log: bleeds whose job was a comeback, followed for the whole window."""
    bleeds = report().data.bleeds.filter("mature", pl.col("job_reason") == "comeback")
    share = f"{100 * bleeds.get_column('came_back').mean():.1f}%"
    (point,) = difference_question(report()).points
    assert point.startswith(f"Brakes bled because of a comeback: {share}")
    none = report().rates.filter(pl.col("kind") != "job_reason")
    assert not difference_question(replace(report(), rates=none)).points
