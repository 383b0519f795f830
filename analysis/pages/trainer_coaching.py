"""Whether coaching worked, and unusual patterns in what is recorded."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.boards import PATTERN_LABELS
from analysis.charts import coaching_changes
from analysis.pages.labels import (
    COSTLY_VERDICTS,
    SMALL_COST,
    done_title,
    field_labels,
    largest_cost_text,
    step_titles,
    with_missed_titles,
)
from analysis.pages.question import Finding, Question, chart_specs, page_table
from analysis.pages.text import capitalised, date_text, followed_by_text, join_words, percentage_points, quantity
from analysis.report import Report


def coaching_question(report: Report) -> Question:
    """Whether coaching changed the coached step."""
    measured = report.coaching.filter(pl.col("change").is_not_null())
    labels = pl.format(
        "{}: {} ({})",
        "technician",
        pl.col("step").replace(step_titles(report)),
        pl.col("coached_on").cast(pl.String),
    )
    return Question(
        id="coaching",
        question="Did the coaching work?",
        answer=_coaching_finding(report, measured),
        points=tuple(_coaching_points(report, measured)),
        action=_coaching_advice(report, measured),
        charts=chart_specs(coaching_changes(measured.with_columns(label=labels))) if measured.height else (),
        table=page_table(
            with_missed_titles(report, report.coaching),
            "Coaching sessions",
            {
                "technician": "technician", "title": "what went wrong", "coached_on": "day",
                "missed_before": "missed before %", "recorded_before": "of bleeds", "missed_after": "missed after %",
                "recorded_after": "of bleeds", "change": "change against peers %", "lo": "95% low %", "hi": "95% high %", "q_value": "q",
            },
            "tables/coaching.csv",
        ),
        method=(
            "The share missed in the six months after, minus that in the six months ending three months before, minus the change "
            "in uncoached peers over the same period (difference in differences). A technician coached after a bad quarter would "
            "improve somewhat anyway, so the three months before the coaching are left out, and the interval allows for habits that drift without coaching, as "
            "measured at other times in this log. “Clearly” controls the false discovery rate at 5% over all coaching sessions. It is observational evidence, not an experiment."
        ),
    )  # fmt: skip


def _coaching_finding(report: Report, measured: pl.DataFrame) -> Finding:
    if report.coaching.is_empty():
        return Finding(
            "No coaching is recorded in the log.",
            "Add a table of coaching sessions (technician, date, step) to see whether coaching worked.",
        )
    better = measured.filter("clear", pl.col("change") < 0).height
    return Finding(followed_by_text(better, report.coaching.height, "coaching session", "clearly fewer misses"))


def _coaching_points(report: Report, measured: pl.DataFrame) -> list[str]:
    points = [
        f"{row['technician']}, “{done_title(report, row['step'])}” ({date_text(row['coached_on'])}): {_outcome_words(row)}. Missed in "
        f"{row['missed_before']:.0%} of {quantity(row['recorded_before'], 'bleed')} in the six months ending three months before the "
        f"session, in {row['missed_after']:.0%} of {row['recorded_after']:,} in the six months after; change against uncoached "
        f"peers {percentage_points(row['change'], row['lo'], row['hi'])}."
        for row in measured.iter_rows(named=True)
    ]
    too_early = report.coaching.height - measured.height
    if too_early:
        points.append(
            f"{quantity(too_early, 'coaching session')} with too few bleeds before or after, or too few uncoached peers: too early to say."
        )
    return points


def _outcome_words(row: dict[str, Any]) -> str:
    if not row["clear"]:
        return "no clear change"
    return "clearly fewer misses" if row["change"] < 0 else "clearly more misses"


def _coaching_advice(report: Report, measured: pl.DataFrame) -> str:
    """Coach again where nothing clearly changed and the step shows a cost; elsewhere there is no need."""
    verdicts = measured.join(report.steps.select("step", "verdict"), on="step", how="left")
    unchanged = verdicts.filter(~(pl.col("clear") & (pl.col("change") < 0))).sort("technician", "step")
    costly = unchanged.filter(pl.col("verdict").is_in(COSTLY_VERDICTS))
    people = [
        f"{name} on “{done_title(report, step)}”"
        for name, step in costly.select("technician", "step").unique(maintain_order=True).iter_rows()
    ]
    limits = report.steps.select("step", "hi")
    no_sign = (
        unchanged.filter(pl.col("verdict") == "no_sign").drop("hi").join(limits, on="step").unique("step").sort("step")
    )
    harmless = no_sign.filter(pl.col("hi") <= SMALL_COST).get_column("step").to_list()
    uncertain = no_sign.filter((pl.col("hi") > SMALL_COST).fill_null(True))
    actions = []
    if people:
        actions.append(
            f"No clear change on a step whose misses lead to or go with comebacks. Coach again, differently: {join_words(people)}."
        )
    if harmless:
        actions.append(
            f"No clear change on {join_words([f'“{done_title(report, step)}”' for step in harmless])}, but a cost above "
            f"{SMALL_COST:.1f} comebacks per 100 bleeds is unlikely (95% interval): not a priority to coach again."
        )
    actions += [
        f"No clear change on “{done_title(report, step)}”. Missing it may cost nothing{_limit_note(hi)}. Keep the step, but first "
        "coach the steps that lead to comebacks when missed."
        for step, hi in uncertain.select("step", "hi").iter_rows()
    ]
    return " ".join(actions)


def _limit_note(hi: float | None) -> str:
    return "" if hi is None else f"; it costs {largest_cost_text(hi)}"


def credibility_question(report: Report) -> Question:
    """Whether the records show patterns that honest recording rarely gives."""
    flags = report.credibility.filter("flag").with_columns(
        pl.col("test").replace(PATTERN_LABELS), field_labels("field")
    )
    return Question(
        id="log",
        question="Can we trust the log?",
        answer=_credibility_finding(report, flags),
        points=tuple(_credibility_points(report, flags)),
        action=(
            "Ask how these readings are taken and recorded: a coarse gauge or a busy day can look the same. A flag is not a verdict."
            if flags.height
            else ""
        ),
        table=page_table(
            flags.sort("test", "technician"),
            "Unusual recording patterns",
            {
                "technician": "technician", "test": "pattern", "field": "field", "n": "entries", "q_value": "q",
                "example_sessions": "example jobs",
            },
            "tables/credibility.csv",
        ),
        method=(
            f"{tested_patterns_text(report)} Each test gives a p-value assuming honest recording; the false discovery rate over all "
            "tests is controlled at 1%."
        ),
    )  # fmt: skip


def tested_patterns_text(report: Report) -> str:
    """The kinds of pattern that could be looked for, and what no test of a person can see."""
    tested = report.credibility.get_column("test").unique()
    labels = [label for test, label in PATTERN_LABELS.items() if test in tested]
    return (
        f"Tested for each technician: {join_words(labels, 'or')}. Late entries only show across the whole log: the bleeds that "
        "came back have fewer gaps than the rest."
    )


def _credibility_finding(report: Report, flags: pl.DataFrame) -> Finding:
    tests = quantity(report.credibility.height, "test")
    if report.credibility.is_empty():
        return Finding("Nothing could be tested: too few readings and steps are recorded.")
    if flags.is_empty():
        return Finding("No unusual recording patterns. Nothing to follow up.", f"{capitalised(tests)}.")
    people = quantity(report.log.sessions.n_unique("technician"), "technician")
    count = flags.n_unique("technician")
    verb = "shows" if count == 1 else "show"
    return Finding(
        f"{count} of {people} {verb} unusual recording patterns.",
        f"{quantity(flags.height, 'pattern')} in {tests}.",
    )


def _credibility_points(report: Report, flags: pl.DataFrame) -> list[str]:
    tests = flags.group_by("test").agg(pl.col("technician").unique().sort()).sort("test")
    points = [f"{capitalised(test)}: {join_words(names)}." for test, names in tests.iter_rows()]
    never = report.steps.filter(pl.col("recorded") == 0).get_column("title").to_list()
    if never:
        points.append(f"Never recorded: {join_words(never)}.")
    return points + _ranking_sensitivity(flags)


def _ranking_sensitivity(flags: pl.DataFrame) -> list[str]:
    """What leaving out the flagged entries does to the ranking of steps, where it could be calculated."""
    measured = flags.filter(pl.col("ranking_holds").is_not_null())
    changing = measured.filter(~pl.col("ranking_holds")).get_column("technician").unique().sort().to_list()
    if changing:
        return [f"Leaving out {_possessives(changing)} entries changes the ranking of steps: clear that up first."]
    names = measured.get_column("technician").unique().sort().to_list()
    if not names:
        return []
    return [f"Leaving out {_possessives(names, 'or')} entries does not clearly change the ranking of steps."]


def _possessives(names: list[str], joint: str = "and") -> str:
    return join_words([f"{name}'s" for name in names], joint)
