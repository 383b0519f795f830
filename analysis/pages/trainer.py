"""The trainer's page: steps by what they cost, tolerances, coaching cards, what coaching changed, whether to believe."""

from __future__ import annotations

import polars as pl

from analysis.charts import missed_bars, step_board, technique_board, tolerance_curve
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.cards import coaching_cards
from analysis.pages.coached import believed, coaching
from analysis.pages.findings import step_sentence
from analysis.pages.step_words import title_of, titled_technique, titles_of
from analysis.pages.trade_words import reading_words, spoken
from analysis.report import Report

LEAST_TOLD = 0.1


def trainer_questions(report: Report) -> list[Question]:
    """The trainer's questions in order of urgency, answered from the report."""
    return [_steps(report), _tolerance(report), _cards(report), coaching(report), believed(report)]


def _steps(report: Report) -> Question:
    ranked = report.steps.sort("rank", "step", nulls_last=True)
    told = bool(ranked.get_column("preventable_per_100").count())
    chart = step_board(ranked, titled_technique(report)) if told else missed_bars(ranked)
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
            "bleeds followed to their end. Ranks have intervals: two steps whose ranks overlap are not in order. "
            "“Costs comebacks” holds false calls to 5 in 100 over all steps and wants the returns alone to lean the same way; "
            "“suspected” has an interval above nought without that."
        ),
    )  # fmt: skip


def _tolerance(report: Report) -> Question:
    curves = []
    for (step, field), own in report.tolerance.group_by("step", "field", maintain_order=True):
        curves.append(titled(tolerance_curve(own, reading_words(str(field))), title_of(report, str(step))))
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
            report.tolerance.with_columns(spoken("field"), pl.col("step").replace(titles_of(report))),
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
                f"“{title_of(report, str(step))}” from {words.share(high['risk'], high['lo'], high['hi'])} at "
                f"{high['reading']:g} to {words.share(low['risk'], low['lo'], low['hi'])} at {low['reading']:g} "
                f"({reading_words(high['field'])})"
            )
    return told


def _cards(report: Report) -> Question:
    cards = coaching_cards(report)
    some = [card.name for card in cards if card.lines]
    board = titled_technique(report)
    return Question(
        id="cards",
        question="What should each technician practise first?",
        answer=(
            f"{len(some)} of {words.count(report.technique.n_unique('technician'), 'technician')} miss some step more often than peers on the same "
            f"work, by more than chance.{_most_to_gain(report)}"
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


def _most_to_gain(report: Report) -> str:
    """Whose practice of which step would spare most, in a sentence of its own."""
    surely = report.technique.filter(pl.col("lo") > 0, pl.col("preventable") >= LEAST_TOLD)
    most = surely.sort("preventable", "technician", descending=[True, False]).head(3)
    told = [
        f"{row['technician']} on “{title_of(report, row['step'])}” ({row['preventable']:.1f})"
        for row in most.iter_rows(named=True)
    ]
    return f" Most comebacks a year would be spared by {words.listed(told)}." if told else ""
