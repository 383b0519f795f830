"""Coaching cards: each technician's two or three steps to practise, compared with peers doing similar work."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import technique_board
from analysis.pages.labels import (
    COSTLY_VERDICTS,
    SMALL_COST,
    done_title,
    largest_cost_text,
    missed_title,
    with_missed_titles,
)
from analysis.pages.lead_signs import first_sign_findings
from analysis.pages.question import Card, Finding, Question, chart_specs, page_table
from analysis.pages.summary import spelling_warnings
from analysis.pages.text import (
    capitalised,
    estimate,
    join_words,
    month_name,
    number,
    percent_interval,
    percentage_points,
    quantity,
)
from analysis.report import Report
from analysis.stats import wilson

STEPS_PER_CARD, BLEEDS_PER_STEP = 3, 3
MAX_CARDS, MAX_NAMED = 60, 5
COPIES = "copied_entries"
MIN_COMEBACKS_A_YEAR = 0.1
LOW_PRIORITY = {
    "costs_comebacks": "missing it causes too few comebacks to make it a priority",
    "goes_with_comebacks": "too few comebacks go with missing it to make it a priority",
    "suspected": "missing it causes too few comebacks to make it a priority",
    "no_sign": f"a cost above {SMALL_COST:.1f} comebacks per 100 bleeds is unlikely (95% interval): low priority",
    "not_known": "no clear cost, but a real one cannot be ruled out, so keep the step",
    "too_few": "too few comebacks to say whether it costs any",
}
"""Why a step that somebody misses more often than peers is not one to practise first, by the step's verdict."""


def missed_more_than_peers(report: Report) -> pl.DataFrame:
    """Steps that a technician clearly misses more often than peers doing similar work, with the step's verdict, or `not_known`
    where there is no clear cost but a real one cannot be ruled out.
    """
    not_known = (pl.col("verdict") == "no_sign") & (pl.col("hi") > SMALL_COST).fill_null(True)
    verdicts = report.steps.select(
        "step", step_hi="hi", verdict=pl.when(not_known).then(pl.lit("not_known")).otherwise("verdict")
    )
    return report.technique.filter("clear", pl.col("excess") > 0).join(
        verdicts, on="step", how="left", maintain_order="left"
    )


def missed_beyond_workshop(report: Report) -> pl.DataFrame:
    """Those of them that colleagues of the same workshop in the same quarter miss less."""
    return missed_more_than_peers(report).filter(pl.col("beyond_shop").fill_null(True))


def card_question(report: Report) -> Question:
    """What each technician should practise first."""
    cards = coaching_cards(report)
    to_practise = [card.name for card in cards if card.lines]
    table = with_missed_titles(report, report.technique)
    has_chart = bool(table.get_column("excess").count())
    return Question(
        id="cards",
        question="What should each technician practise first?",
        answer=_card_finding(report, len(to_practise)),
        action="Go through the card together at the bench. It starts a conversation; it is not a grade." if to_practise else "",
        hint="Click a technician (or pick one below) to see all their steps with intervals." if to_practise else "",
        charts=chart_specs(technique_board(table, to_practise[0] if to_practise else None)) if has_chart else (),
        points=spelling_warnings(report),
        cards=cards,
        table=page_table(
            table,
            "Missed steps compared with peers",
            {
                "technician": "technician", "title": "what went wrong", "missed": "missed", "recorded": "recorded",
                "since": "since", "share": "share missed %", "peer_share": "peers on similar work %", "excess": "difference from peers %",
                "lo": "95% low %", "hi": "95% high %", "q_value": "q", "preventable": "comebacks a year",
                "preventable_lo": "95% low", "preventable_hi": "95% high",
            },
            "tables/technique.csv",
        ),
        method=(
            "Each technician's last 12 months count, or the last 150 bleeds if these are fewer; a step that clearly improved "
            "counts from then on. Each technician's misses are compared with what peers miss on similar work; differences from small samples are "
            "shrunk towards zero (partial pooling). A difference is called clear when its interval excludes zero and it passes a "
            "test that controls the false discovery rate at 5% over all technicians and steps. Comebacks a year are that difference times what a miss costs, with the "
            "uncertainty of both. A step without evidence of a cost is listed on the card, but not among those to practise first. "
            "“Colleagues here” compares the same bleeds within the workshop, quarter by quarter."
        ),
    )  # fmt: skip


def _limit_text(verdict: str, hi: float | None) -> str:
    """The largest cost that is not ruled out, where there is no clear one."""
    return f": costs {largest_cost_text(hi)}" if verdict in ("no_sign", "not_known") and hi is not None else ""


def _card_finding(report: Report, cards: int) -> Finding:
    more, workshops = missed_beyond_workshop(report), first_sign_findings(report, ("missed",))
    people = report.technique.n_unique("technician")
    first, detail = " ".join(one.text for one in workshops), " ".join(one.detail for one in workshops)
    first += " Look at the kit and the procedure there before you talk to anyone." if first else ""
    if report.technique.is_empty():
        return Finding("Technicians cannot be compared: no step is recorded often enough.")
    if people == 1:
        return Finding(
            f"{report.technique.item(0, 'technician')} is the only technician: there are no peers to compare with."
        )
    if more.is_empty():
        text = "no technician clearly misses a step more often than peers."
        text = (
            capitalised(text)
            if missed_more_than_peers(report).is_empty()
            else f"Compared with colleagues in the same workshop, {text}"
        )
        return Finding(f"{first} {text}".strip(), f"{detail} {quantity(people, 'technician')} compared.".strip())
    count = more.n_unique("technician")
    text = (
        f"{_who_text(more)} clearly {'misses' if count == 1 else 'miss'} a step more often than peers, including colleagues in the same "
        f"workshop ({count} of {quantity(people, 'technician')})."
    )
    gain = _biggest_gain_text(report)
    shared = missed_more_than_peers(report).n_unique("technician") - count
    if shared > 0:
        who = "1 other misses" if shared == 1 else f"{shared} others miss"
        detail += (
            f" {who} a step more often than peers, but not clearly more often than colleagues in the same workshop."
        )
    detail += (
        f" {quantity(cards, 'card')} {'is' if cards == 1 else 'are'} about steps that lead to comebacks."
        if cards
        else ""
    )
    return Finding(" ".join(one for one in (text, gain, first) if one), detail.strip())


def _who_text(more: pl.DataFrame) -> str:
    """Who misses a step more often, those with most comebacks to prevent first."""
    gain = more.group_by("technician").agg(pl.col("preventable").fill_null(0.0).clip(0).sum())
    names = gain.sort("preventable", "technician", descending=[True, False]).get_column("technician").to_list()
    rest = [f"{len(names) - MAX_NAMED} more"] if len(names) > MAX_NAMED else []
    return join_words([*names[:MAX_NAMED], *rest])


def _biggest_gain_text(report: Report) -> str:
    """Whose practice of which step would prevent most comebacks."""
    of_workshops = report.early_signs.filter("worse", pl.col("sign") == "missed").get_column("subject").implode()
    costly = missed_beyond_workshop(report).filter(
        ~pl.col("step").is_in(of_workshops),
        pl.col("verdict").is_in(COSTLY_VERDICTS),
        pl.col("preventable") >= MIN_COMEBACKS_A_YEAR,
    )
    if costly.is_empty():
        return ""
    row = costly.sort("preventable", "technician", descending=[True, False]).row(0, named=True)
    return (
        f"Biggest gain: {row['technician']}, “{done_title(report, row['step'])}”, about {row['preventable']:.1f} fewer comebacks "
        "a year."
    )


def coaching_cards(report: Report) -> tuple[Card, ...]:
    """A card for each technician with something to practise or to look at, by name; one last card for all others.

    At most 60 technicians have a card, those with most comebacks to prevent first; the rest are counted.
    """
    more = missed_more_than_peers(report)
    flagged = report.rates.filter(pl.col("kind") == "technician", pl.col("signal") == "high").get_column("group")
    everyone = report.technique.get_column("technician").unique().sort().to_list()
    improved = report.technique.drop_nulls("improved_since").get_column("technician")
    by_name = set(more.get_column("technician")) | set(flagged) | set(improved)
    gain = dict(more.group_by("technician").agg(pl.col("preventable").fill_null(0.0).clip(0).sum()).iter_rows())
    by_gain = sorted((name for name in everyone if name in by_name), key=lambda name: (-gain.get(name, 0.0), name))
    cards = [
        _technician_card(report, name, more.filter(pl.col("technician") == name))
        for name in sorted(by_gain[:MAX_CARDS])
    ]
    useful = [card for card in cards if card.lines or card.note]
    alike = [name for name in everyone if name not in by_name]
    return (*useful, *_card_for_remaining(by_gain[MAX_CARDS:]), *_card_for_others(report, alike))


def _card_for_remaining(names: list[str]) -> list[Card]:
    """The technicians with something to practise beyond the cards there is room for."""
    if not names:
        return []
    return [
        Card(
            f"{quantity(len(names), 'more technician')}",
            (),
            "They also miss steps more often than peers: see the table.",
        )
    ]


def _card_for_others(report: Report, names: list[str]) -> list[Card]:
    if not names or report.technique.n_unique("technician") == 1:
        return []
    who = join_words(names) if len(names) <= MAX_CARDS else f"{quantity(len(names), 'other technician')}"
    first = report.steps.filter(pl.col("verdict") == "costs_comebacks").sort("rank").head(2).get_column("step")
    steps = join_words([f"“{done_title(report, step)}”" for step in first])
    practise = f" The first things for everyone to practise: {steps}." if len(first) else ""
    return [
        Card(
            who,
            (),
            f"{'Does not clearly miss' if len(names) == 1 else 'None of them clearly misses'} any step more often than peers.{practise}",
        )
    ]


def _technician_card(report: Report, name: str, own: pl.DataFrame) -> Card:
    costly = (pl.col("coach_rank").is_not_null() & pl.col("verdict").is_in(COSTLY_VERDICTS)).fill_null(False)
    practise = own.filter(costly).sort("coach_rank").head(STEPS_PER_CARD)
    lines = tuple(_practice_line(report, name, row) for row in practise.iter_rows(named=True))
    notes = [
        *_improvement_notes(report, name, practise),
        *_unexplained_comebacks_notes(report, name, bool(lines)),
        *_workshop_change_notes(report, name, practise),
        *_low_priority_notes(report, own.filter(~costly).sort("step")),
    ]
    return Card(name, lines, " ".join(notes))


def _practice_line(report: Report, name: str, row: dict[str, Any]) -> str:
    excess = percentage_points(row["excess"], row["lo"], row["hi"]).removeprefix("+")
    examples = join_words(_recent_missed_job_ids(report, name, row["step"]))
    return (
        f"“{missed_title(report, row['step'])}” in {row['share']:.0%} of {quantity(row['recorded'], 'bleed')} (peers "
        f"{row['peer_share']:.0%}){_improved_since_text(row)}; about {excess} more{_peers_text(row)}. {_comebacks_a_year_text(row)} "
        f"Jobs: {examples}."
    )


def _peers_text(row: dict[str, Any]) -> str:
    """Whom the technician is compared with: colleagues miss the step as often where it is the whole workshop's."""
    return ", but not clearly more than colleagues in the same workshop" if row["beyond_shop"] is False else ""


def _improved_since_text(row: dict[str, Any]) -> str:
    """From when on the share is counted, where the step has improved."""
    if row["improved_since"] is None:
        return ""
    return (
        f", improved since {month_name(str(row['improved_since'])[:7])} ({row['share_before']:.0%} of "
        f"{quantity(row['recorded_before'], 'bleed')} before then)"
    )


def _improvement_notes(report: Report, name: str, practise: pl.DataFrame) -> list[str]:
    """Steps that the technician has come to miss less often, apart from those still to practise."""
    rows = report.technique.filter(
        pl.col("technician") == name,
        pl.col("improved_since").is_not_null(),
        pl.col("share").is_not_null(),
        ~pl.col("step").is_in(practise.get_column("step").implode()),
    )
    steps = [
        f"“{missed_title(report, row['step'])}” in {month_name(str(row['improved_since'])[:7])}, from "
        f"{_with_wilson(row['share_before'], row['recorded_before'])} of the {quantity(row['recorded_before'], 'bleed')} before then "
        f"to {_with_wilson(row['share'], row['recorded'])} of the last {row['recorded']:,}"
        for row in rows.iter_rows(named=True)
    ]
    if not steps:
        return []
    doubt = report.credibility.filter("flag", pl.col("technician") == name, pl.col("test") == COPIES)
    caution = (
        "" if doubt.is_empty() else " But these entries include some that look copied from another bleed: check first."
    )
    return [f"Improved: {'; '.join(steps)}.{caution}"]


def _with_wilson(share: float, bleeds: int) -> str:
    limits = wilson(round(share * bleeds), bleeds)
    return percent_interval(share, float(limits.lo), float(limits.hi))


def _comebacks_a_year_text(row: dict[str, Any]) -> str:
    verb = "Costs" if row["verdict"] == "costs_comebacks" else "Goes with"
    if row["preventable"] < MIN_COMEBACKS_A_YEAR:
        return f"{verb} less than one comeback in ten years (upper 95% bound {number(round(row['preventable_hi'], 2))} a year)."
    return (
        f"{verb} about {estimate(row['preventable'], row['preventable_lo'], row['preventable_hi'])} comebacks a year."
    )


def _recent_missed_job_ids(report: Report, name: str, step: str) -> list[str]:
    """The technician's most recent jobs with the step missed, those that came back first."""
    own = (report.data.bleeds.get_column("technician") == name).fill_null(False)
    missed = report.data.missed.get_column(step).fill_null(False)
    first_day = report.technique.filter(technician=name, step=step).get_column("since")[0]
    bleeds = report.data.bleeds.select("session_id", "started_at", "came_back").filter(missed & own)
    recent = (
        bleeds.filter(pl.col("started_at").dt.date() >= pl.lit(first_day, pl.Date))
        .sort("came_back", "started_at", descending=[True, True])
        .head(BLEEDS_PER_STEP)
    )
    return recent.get_column("session_id").to_list()


def _workshop_change_notes(report: Report, name: str, practise: pl.DataFrame) -> list[str]:
    """Steps of the card that the technician's whole workshop began to miss: not one person's habit."""
    own = report.log.sessions.filter(pl.col("technician") == name).get_column("shop").drop_nulls().unique().implode()
    steps = practise.get_column("step").implode()
    signs = report.early_signs.filter(
        "worse", pl.col("sign") == "missed", pl.col("subject").is_in(steps), pl.col("shop").is_in(own)
    ).select("shop", "month", step="subject")
    changes = report.months.filter(
        "change_began", pl.col("kind") == "shop", pl.col("step_moved").is_in(steps), pl.col("group").is_in(own)
    ).select("month", shop="group", step="step_moved")
    undated = changes.join(signs, on=["shop", "step"], how="anti")
    rows = pl.concat([signs, undated.select(signs.columns)]).sort("month", "shop", "step")
    return [
        f"All of {row['shop']} since {month_name(row['month'])}: check kit and procedure first."
        for row in rows.iter_rows(named=True)
    ]


def _unexplained_comebacks_notes(report: Report, name: str, has_lines: bool) -> list[str]:
    """A technician flagged on all work together, which the steps on the card may not explain."""
    own = report.rates.filter(pl.col("kind") == "technician", pl.col("group") == name, pl.col("signal") == "high")
    why = "these steps may not explain all of them" if has_lines else "no single step explains it"
    return [
        f"{quantity(row['comebacks'], 'comeback')}, {row['expected']:.0f} expected; {why}. Watch one of their bleeds "
        "from start to finish."
        for row in own.iter_rows(named=True)
    ]


def _low_priority_notes(report: Report, others: pl.DataFrame) -> list[str]:
    """Steps missed more often than peers that are not worth practising first."""
    notes = []
    for verdict, why in LOW_PRIORITY.items():
        steps = [
            f"“{missed_title(report, row['step'])}”, {percentage_points(row['excess'], row['lo'], row['hi'])}"
            f"{_limit_text(verdict, row['step_hi'])}"
            for row in others.filter(pl.col("verdict") == verdict).iter_rows(named=True)
        ]
        if steps:
            notes.append(f"More often than peers: {join_words(steps)}; {why}.")
    return notes
