"""What coaching changed, and whether the log can be believed."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import coaching_changes
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table
from analysis.pages.step_words import COSTLY, titles_of
from analysis.pages.trade_words import spoken
from analysis.report import Report

TEST_WORDS = {
    "favourite_digits": "favourite numbers",
    "copied_entries": "entries copied from another bleed",
    "impossible_durations": "times that cannot be",
    "never_varied": "a reading that never varies",
    "recorded_only_when_met": "a step written only when met",
}


def coaching(report: Report) -> Question:
    """Whether the coaching worked."""
    told = report.coaching.with_columns(
        label=pl.format("{}: {} ({})", "technician", pl.col("step").replace(titles_of(report)), pl.col("coached_on").cast(pl.String))
    )  # fmt: skip
    known = told.filter(pl.col("change").is_not_null())
    lines = [
        f"{row['label']}: missed {_side(row, 'before')} before, {_side(row, 'after')} after; against peers "
        f"{words.points(row['change'], row['lo'], row['hi'])}, {_verdict(row['lo'], row['hi'])}."
        for row in known.iter_rows(named=True)
    ]
    early = told.height - known.height
    if early:
        lines.append(f"{words.count(early, 'coaching')} with too little before or after: too early to tell.")
    if told.is_empty():
        answer = "No coaching is written in the log: a table of technician, day and step would tell what it changed."
    else:
        helped = known.filter(pl.col("hi") < 0).height
        answer = f"{helped} of {words.count(told.height, 'coaching')} changed the coached step for the better, by more than chance."
    return Question(
        id="coaching",
        question="Did the coaching work?",
        answer=answer,
        points=tuple(lines),
        action=_again(report, known),
        charts=drawn(coaching_changes(known)) if known.height else (),
        table=page_table(
            told.with_columns(pl.col("step").replace(titles_of(report))),
            "Coachings",
            {
                "technician": "technician", "step": "step", "coached_on": "day", "missed_before": "missed before %",
                "recorded_before": "of", "missed_after": "missed after %", "recorded_after": "of", "change": "change against peers %", "lo": "from %", "hi": "to %",
            },
            "tables/coaching.csv",
        ),
        method="The share missed half a year before and after, less the change of uncoached peers over the same days.",
    )  # fmt: skip


def _side(row: dict[str, Any], side: str) -> str:
    bleeds = row[f"recorded_{side}"]
    return words.sample(round(row[f"missed_{side}"] * bleeds), bleeds)


def _again(report: Report, known: pl.DataFrame) -> str:
    """Coach again where nothing moved, but only on a step that shows a sign of costing comebacks."""
    beside = known.join(report.steps.select("step", "title", "verdict"), on="step", how="left")
    still = beside.filter(pl.col("hi") >= 0).sort("technician", "step")
    costly = still.filter(pl.col("verdict").is_in(COSTLY))
    free = still.filter(pl.col("verdict") == "no_sign")
    told = []
    if costly.height:
        who = [
            f"{t} on “{step}”"
            for t, step in costly.select("technician", "title").unique(maintain_order=True).iter_rows()
        ]
        told.append(
            f"Coach again, in another way, where nothing moved and the step costs comebacks: {words.listed(who)}."
        )
    if free.height:
        steps = [f"“{title}”" for title in free.get_column("title").unique().sort()]
        told.append(
            f"Nothing moved on {words.listed(steps)}{' either' if told else ''}, but missing {'it' if len(steps) == 1 else 'them'} shows no sign of "
            "costing comebacks: no second coaching on that account."
        )
    return " ".join(told)


def believed(report: Report) -> Question:
    """Whether the log can be believed."""
    flagged = report.credibility.filter("flag").with_columns(pl.col("test").replace(TEST_WORDS), spoken("field"))
    kinds = (
        flagged.group_by("test")
        .agg(who=pl.col("technician").unique().sort(), n=pl.col("technician").n_unique())
        .sort("test")
    )
    points = [f"{test}: {words.listed(who)}" for test, who, _ in kinds.iter_rows()]
    never = report.steps.filter(pl.col("recorded") == 0).get_column("title").to_list()
    if never:
        points.append(f"Never recorded: {words.listed(never)}.")
    points += _ranking_without(flagged)
    people = report.log.sessions.n_unique("technician")
    return Question(
        id="log",
        question="Can the log be believed?",
        answer=(
            f"{flagged.n_unique('technician')} of {words.count(people, 'technician')} have entries that honest writing seldom "
            f"gives ({words.count(flagged.height, 'flag')} of {words.count(report.credibility.height, 'test')})."
        ),
        points=tuple(points),
        action="Ask how these are written down, and why: a coarse gauge and a full day look the same. A flag is no verdict.",
        table=page_table(
            flagged.sort("test", "technician"),
            "Flags",
            {"technician": "technician", "test": "what was seen", "field": "reading", "n": "entries", "q_value": "q", "example_sessions": "bleeds to look at"},
            "tables/credibility.csv",
        ),
        method="Every test has a p-value under honest writing; false discoveries are held to 1% over all of them.",
    )  # fmt: skip


def _ranking_without(flagged: pl.DataFrame) -> list[str]:
    """What leaving out the doubted entries does to the ranking of steps, where it could be reckoned."""
    known = flagged.filter(pl.col("ranking_holds").is_not_null())
    moved = known.filter(~pl.col("ranking_holds")).get_column("technician").unique().sort().to_list()
    if moved:
        return [f"Without the entries of {words.listed(moved)} the ranking of steps is another: clear that up first."]
    whose = words.listed(known.get_column("technician").unique().sort().to_list(), "or")
    return [f"Without the entries of {whose} the ranking of steps stays within its limits."] if known.height else []


def _verdict(lo: float, hi: float) -> str:
    return "fewer misses" if hi < 0 else "more misses" if lo > 0 else "no change beyond chance"
