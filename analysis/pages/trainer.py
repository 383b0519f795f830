"""The trainer's page: steps by what they cost, tolerances, coaching cards, what coaching changed, whether to believe."""

from __future__ import annotations

import polars as pl

from analysis.charts import coaching_changes, missed_bars, step_board, technique_board, tolerance_curve
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.cards import coaching_cards
from analysis.pages.findings import step_sentence
from analysis.pages.trade_words import reading_words, spoken
from analysis.report import Report

TEST_WORDS = {
    "favourite_digits": "favourite numbers",
    "copied_entries": "entries copied from another bleed",
    "impossible_durations": "times that cannot be",
    "never_varied": "a reading that never varies",
    "recorded_only_when_met": "a step written only when met",
}


def trainer_questions(report: Report) -> list[Question]:
    """The trainer's questions in order of urgency, answered from the report."""
    return [_steps(report), _tolerance(report), _cards(report), _coaching(report), _credible(report)]


def _steps(report: Report) -> Question:
    ranked = report.steps.sort("rank", "step", nulls_last=True)
    told = bool(ranked.get_column("preventable_per_100").count())
    chart = step_board(ranked, _titled_technique(report)) if told else missed_bars(ranked)
    differs = report.steps.filter(pl.col("check_disagrees")).get_column("title").to_list()
    points = (
        [f"The second way of reckoning disagrees on {words.listed(differs)}: distrust its figure."] if differs else []
    )
    free = report.steps.filter(pl.col("verdict") == "no_sign", pl.col("rank").is_not_null()).sort(
        "share_missed", descending=True
    )
    if free.height:
        often = [f"“{t}” (missed in {s:.0%})" for t, s in free.select("title", "share_missed").head(2).iter_rows()]
        points.append(
            f"Often missed without a sign that it costs comebacks: {words.listed(often)}. Other reasons may still ask for it."
        )
    return Question(
        id="steps",
        question="Which steps, when missed, cost the most comebacks?",
        answer=step_sentence(report),
        points=tuple(points),
        action="Show these steps at the bench, on the bikes of the coaching cards below.",
        hint="Choose a step by a click or from the list: beside it stand the technicians and how far each misses it." if told else "",
        charts=drawn(chart),
        table=page_table(
            ranked,
            "Steps of the standard, three ways of reckoning",
            {
                "title": "step", "missed": "missed", "recorded": "of recorded", "share_missed": "share %",
                "preventable_per_100": "spared per 100", "lo": "from", "hi": "to", "by_return": "from returns alone",
                "by_return_lo": "from", "by_return_hi": "to", "check_per_100": "second way", "check_lo": "from",
                "check_hi": "to", "rank_lo": "rank from", "rank_hi": "rank to", "verdict": "verdict",
            },
            "tables/steps.csv",
        ),
        method=(
            "From returns alone: a time-to-return model. The headline also hears the signs on the stand, which tell of air "
            "long before a bike returns, where they foretell returns. The second way is cross-fitted and doubly robust on "
            "bleeds followed to their end. Ranks have intervals: two steps whose ranks overlap are not in order."
        ),
    )  # fmt: skip


def _tolerance(report: Report) -> Question:
    curves = []
    for (step, field), own in report.tolerance.group_by("step", "field", maintain_order=True):
        curves.append(titled(tolerance_curve(own, reading_words(str(field))), _title(report, str(step))))
    told = _clear_along(report)
    answer = "Where each tolerance should lie is too few to tell in this log."
    if curves:
        answer = f"Along {len(told)} of {words.count(len(curves), 'reading')} the risk of a comeback differs by more than chance"
        answer += f": {words.listed(told[:3])}." if told else "."
    return Question(
        id="tolerance",
        question="Is our tolerance in the right place?",
        answer=answer,
        action="Where the curve is flat across a limit, the limit costs nothing; where it is still falling inside, tighten it." if curves else "",
        charts=drawn(*curves),
        table=page_table(
            report.tolerance.with_columns(spoken("field"), pl.col("step").replace(_titles(report))),
            "Risk along each reading",
            {"step": "step", "field": "reading of", "reading": "reading", "bleeds": "bleeds near", "risk": "risk %", "lo": "from %", "hi": "to %"},
            "tables/tolerance.csv",
        ),
        method="The adjusted risk within the window along the reading itself. The maker's limits come first in any case.",
    )  # fmt: skip


def _clear_along(report: Report) -> list[str]:
    """Readings along which the highest and the lowest risk stand clear of each other's limits, in words."""
    told = []
    for (step,), own in report.tolerance.group_by("step", maintain_order=True):
        known = own.filter(pl.col("lo").is_not_null(), pl.col("hi").is_not_null()).sort("risk", "reading")
        if known.height and known.row(-1, named=True)["lo"] > known.row(0, named=True)["hi"]:
            low, high = known.row(0, named=True), known.row(-1, named=True)
            told.append(
                f"“{_title(report, str(step))}” from {words.share(high['risk'], high['lo'], high['hi'])} at "
                f"{high['reading']:g} to {words.share(low['risk'], low['lo'], low['hi'])} at {low['reading']:g} "
                f"({reading_words(high['field'])})"
            )
    return told


def _cards(report: Report) -> Question:
    cards = coaching_cards(report)
    some = [card.name for card in cards if card.lines]
    board = _titled_technique(report)
    return Question(
        id="cards",
        question="What should each technician practise first?",
        answer=(
            f"{len(some)} of {words.count(report.technique.n_unique('technician'), 'technician')} miss some step more often than peers on the same "
            "work, by more than chance."
        ),
        action="Take a card and its bikes to the bench together; it is a start of a talk, no mark.",
        hint="Choose a technician by a click or from the list: beside it stand all their steps with intervals." if some else "",
        charts=drawn(technique_board(board, some[0] if some else None)) if board.get_column("excess").count() else (),
        cards=cards,
        table=page_table(
            board,
            "Misses against peers",
            {
                "technician": "technician", "title": "step", "missed": "missed", "recorded": "of recorded", "share": "share %",
                "peer_share": "peers on the same work %", "excess": "beyond peers %", "lo": "from %", "hi": "to %",
                "preventable": "comebacks a year",
            },
            "tables/technique.csv",
        ),
        method=(
            "Each technician's misses are held against what the same work gives in their peers' hands, and drawn toward zero "
            "the more, the thinner the evidence. Comebacks a year are the excess times what a miss costs."
        ),
    )  # fmt: skip


def _coaching(report: Report) -> Question:
    told = report.coaching.with_columns(
        label=pl.format("{}: {} ({})", "technician", pl.col("step").replace(_titles(report)), pl.col("coached_on").cast(pl.String))
    )  # fmt: skip
    known = told.filter(pl.col("change").is_not_null())
    lines = [
        f"{row['label']}: missed {row['missed_before']:.0%} before, {row['missed_after']:.0%} after; against peers "
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
        action="Coach again, in another way, where nothing moved." if told.height else "",
        charts=drawn(coaching_changes(known)) if known.height else (),
        table=page_table(
            told.with_columns(pl.col("step").replace(_titles(report))),
            "Coachings",
            {
                "technician": "technician", "step": "step", "coached_on": "day", "missed_before": "missed before %",
                "missed_after": "missed after %", "change": "change against peers %", "lo": "from %", "hi": "to %",
            },
            "tables/coaching.csv",
        ),
        method="The share missed half a year before and after, less the change of uncoached peers over the same days.",
    )  # fmt: skip


def _credible(report: Report) -> Question:
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


def _verdict(lo: float, hi: float) -> str:
    return "fewer misses" if hi < 0 else "more misses" if lo > 0 else "no change beyond chance"


def _titled_technique(report: Report) -> pl.DataFrame:
    return report.technique.with_columns(title=pl.col("step").replace(_titles(report)))


def _titles(report: Report) -> dict[str, str]:
    return {step.id: step.title for step in report.standard.steps}


def _title(report: Report, step: str) -> str:
    return _titles(report).get(step, step)
