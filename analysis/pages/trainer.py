"""The trainer's page: steps by what they cost, tolerances, coaching cards, what coaching changed, whether to believe."""

from __future__ import annotations

import polars as pl

from analysis.charts import missed_bars, step_board, technique_board, tolerance_curve
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.cards import coaching_cards, more_than_peers
from analysis.pages.coached import believed, coaching
from analysis.pages.findings import names_written_in_several_ways, step_sentence
from analysis.pages.step_words import COSTLY, title_of, titled_technique, titles_of
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
        often = [
            f"“{t}” (missed in {words.sample(m, n)})"
            for t, m, n in free.select("title", "missed", "recorded").head(2).iter_rows()
        ]
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
            "bleeds followed to their end. The first three are those most surely near the top, the others stand by their figure. "
            "Ranks have intervals: two steps whose ranks overlap are not in order. "
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
        answer += f": {words.listed(list(told.values())[:3])}." if told else "."
    return Question(
        id="tolerance",
        question="Is our tolerance in the right place?",
        answer=answer,
        points=_where_they_part(report, set(told)),
        action="Where the curve is flat across a limit, the limit costs nothing; where it is still falling inside, tighten it." if curves else "",
        charts=drawn(*curves),
        table=page_table(
            report.tolerance.with_columns(spoken("field"), pl.col("step").replace(titles_of(report))),
            "Risk along each reading",
            {"step": "step", "field": "reading of", "reading": "reading", "bleeds": "bleeds near", "risk": "risk %", "lo": "from %", "hi": "to %"},
            "tables/tolerance.csv",
        ),
        method=(
            "The adjusted risk within the window along the reading itself, from returns alone; two readings differ by more than "
            "chance where their limits do not meet. The verdict on a step compares met with missed at the limit and hears the "
            "signs on the stand too, so it can see what the curve cannot. The maker's limits come first in any case."
        ),
    )  # fmt: skip


def _where_they_part(report: Report, clear: set[str]) -> tuple[str, ...]:
    """Steps on which the curve along the reading and the step's verdict say different things, and why both may be right."""
    drawn_steps = set(report.tolerance.get_column("step"))
    verdicts = report.steps.filter(pl.col("step").is_in(sorted(drawn_steps))).sort("rank", "step", nulls_last=True)
    costly, free = (
        [f"“{title}”" for step, title, verdict in verdicts.select("step", "title", "verdict").iter_rows()
         if verdict in wanted and (step in clear) == is_clear]
        for wanted, is_clear in ((COSTLY, False), (("no_sign",), True))
    )  # fmt: skip
    told = []
    if costly:
        told.append(
            f"{words.listed(costly)}: missing {'it' if len(costly) == 1 else 'them'} shows a cost above, while the curve here stays "
            "within chance. No contradiction: the curve hears returns alone and spreads them over every value; the verdict "
            "compares only met with missed, and hears the stand. Keep the limit."
        )
    if free:
        told.append(
            f"{words.listed(free)}: the risk differs along the reading, while met and missed do not differ by more than chance: the "
            "limit may lie where it parts little. Look at the curve before moving it."
        )
    return tuple(told)


def _clear_along(report: Report) -> dict[str, str]:
    """Readings two values of which stand clear of each other's limits, in words: the step by its title, and both values."""
    told = {}
    for (step,), own in report.tolerance.group_by("step", maintain_order=True):
        known = own.filter(pl.col("lo").is_not_null(), pl.col("hi").is_not_null())
        if not known.height:
            continue
        high = known.sort("lo", "reading", descending=[True, False]).row(0, named=True)
        low = known.sort("hi", "reading").row(0, named=True)
        if high["lo"] > low["hi"]:
            told[str(step)] = (
                f"“{title_of(report, str(step))}” from {words.share(high['risk'], high['lo'], high['hi'])} at "
                f"{high['reading']:g} to {words.share(low['risk'], low['lo'], low['hi'])} at {low['reading']:g} "
                f"({reading_words(high['field'])})"
            )
    return told


def _cards(report: Report) -> Question:
    cards = coaching_cards(report)
    some = [card.name for card in cards if card.lines]
    more = more_than_peers(report).n_unique("technician")
    practise = f" {len(some)} of them on steps that cost comebacks: theirs are the cards to practise." if more else ""
    board = titled_technique(report)
    return Question(
        id="cards",
        question="What should each technician practise first?",
        answer=(
            f"{more} of {words.count(report.technique.n_unique('technician'), 'technician')} miss some step more often than peers on the same "
            f"work, by more than chance.{practise}{_most_to_gain(report)}"
        ),
        action="Take a card and its bikes to the bench together; it is a start of a talk, no mark.",
        hint="Choose a technician by a click or from the list: beside it stand all their steps with intervals." if some else "",
        charts=drawn(technique_board(board, some[0] if some else None)) if board.get_column("excess").count() else (),
        points=names_written_in_several_ways(report),
        cards=cards,
        table=page_table(
            board,
            "Misses against peers",
            {
                "technician": "technician", "title": "step", "missed": "missed", "recorded": "of recorded", "share": "share %",
                "peer_share": "peers on the same work %", "excess": "beyond peers %", "lo": "from %", "hi": "to %",
                "preventable": "comebacks a year", "preventable_lo": "from", "preventable_hi": "to",
            },
            "tables/technique.csv",
        ),
        method=(
            "Each technician's misses are held against what the same work gives in their peers' hands, and drawn toward zero "
            "the more, the thinner the evidence. Comebacks a year are the excess times what a miss costs, with the limits of both; "
            "a step that shows no sign of costing comebacks is named on a card and not practised on that account."
        ),
    )  # fmt: skip


def _most_to_gain(report: Report) -> str:
    """Whose practice of which step would spare most, in a sentence of its own."""
    surely = more_than_peers(report).filter(pl.col("verdict").is_in(COSTLY), pl.col("preventable") >= LEAST_TOLD)
    most = surely.sort("preventable", "technician", descending=[True, False]).head(3)
    told = [
        f"{row['technician']} on “{title_of(report, row['step'])}”, {words.amount(row['preventable'], row['preventable_lo'], row['preventable_hi'])}"
        for row in most.iter_rows(named=True)
    ]
    return f" Most comebacks a year would be spared by: {'; '.join(told)}." if told else ""
