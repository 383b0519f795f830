"""Coaching cards: a technician's two or three steps to practise, against the same work, and bleeds to look at together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.pages import words
from analysis.pages.step_words import COSTLY, title_of
from analysis.report import Report

STEPS_A_CARD, BLEEDS_A_STEP = 3, 3
LEAST_A_YEAR = 0.1
NO_PRACTICE = {
    "costs_comebacks": "in these hands too few comebacks come of it to practise it first",
    "suspected": "in these hands too few comebacks come of it to practise it first",
    "no_sign": "no sign that it costs comebacks, so nothing to practise on that account",
    "too_few": "whether it costs comebacks is too few to tell",
}
"""Why a step that is missed beyond peers is none to practise, by its verdict."""


@dataclass(frozen=True)
class Card:
    """One technician's card."""

    name: str
    lines: tuple[str, ...]
    note: str = ""


def more_than_peers(report: Report) -> pl.DataFrame:
    """Steps that a technician misses beyond peers by more than chance (the red marks), beside what the step's verdict is."""
    beside = report.steps.select("step", "verdict")
    return report.technique.filter(pl.col("lo") > 0).join(beside, on="step", how="left", maintain_order="left")


def coaching_cards(report: Report) -> tuple[Card, ...]:
    """One card a technician with something to practise or to look at, by name, then one for all the others."""
    names = report.technique.get_column("technician").unique().sort()
    cards = [_card(report, name) for name in names]
    rest = [card.name for card in cards if not card.lines and not card.note]
    others = [Card(words.listed(rest), (), "Nothing beyond chance: work like peers on the same work.")] if rest else []
    return (*(card for card in cards if card.lines or card.note), *others)


def _card(report: Report, name: str) -> Card:
    own = more_than_peers(report).filter(pl.col("technician") == name)
    costly = pl.col("coach_rank").is_not_null() & pl.col("verdict").is_in(COSTLY)
    chosen = own.filter(costly).sort("coach_rank").head(STEPS_A_CARD)
    titles = {step.id: step.title for step in report.standard.steps}
    mine = (report.ready.bleeds.get_column("technician") == name).fill_null(False) if chosen.height else pl.Series([])
    lines = tuple(
        f"“{titles.get(row['step'], row['step'])}”: missed in {row['missed']} of {words.count(row['recorded'], 'bleed')} "
        f"({row['share']:.0%}), by peers on the same work in {row['peer_share']:.0%}: "
        f"{words.points(row['excess'], row['lo'], row['hi'])}; "
        f"{_yearly(row)}. Look at together: {', '.join(_newest(report, mine, row['step'])) or 'none yet'}."
        for row in chosen.iter_rows(named=True)
    )
    note = _more_than_expected(report, name, bool(lines)) + _whole_workshop(report, name, chosen)
    note += _without_cost(report, own.filter(~costly.fill_null(False)).sort("step"))
    return Card(name, lines, note.strip())


def _whole_workshop(report: Report, name: str, chosen: pl.DataFrame) -> str:
    """Where a step of the card began to be missed more by all of the technician's workshop: no one person's habit."""
    moved = report.months.filter(
        "change_began",
        pl.col("kind") == "shop",
        pl.col("step_moved").is_in(chosen.get_column("step").implode()),
    ).sort("month")
    if moved.is_empty():
        return ""
    theirs = (
        report.log.sessions.select("technician", "shop")
        .filter(pl.col("technician") == name)
        .get_column("shop")
        .drop_nulls()
        .unique()
    )
    moved = moved.filter(pl.col("group").is_in(theirs.implode()))
    return "".join(
        f" All of {row['group']} misses “{title_of(report, row['step_moved'])}” at another rate since {row['month']}: ask "
        "about the kit and the procedure there before the person."
        for row in moved.iter_rows(named=True)
    )


def _more_than_expected(report: Report, name: str, some: bool) -> str:
    """A signal on the whole of a technician's work, which no step of the standard may explain."""
    own = report.rates.filter(pl.col("kind") == "technician", pl.col("group") == name, pl.col("signal") == "high")
    return "".join(
        f"{row['comebacks']} came back where the same work gives {row['expected']:.0f}: "
        f"{'these steps may not be the whole of it' if some else 'no recorded step explains it'}; watch a bleed together "
        "from first to last."
        for row in own.iter_rows(named=True)
    )


def _without_cost(report: Report, others: pl.DataFrame) -> str:
    """Steps missed beyond peers, red on the board, which no comeback asks to practise."""
    told = []
    for verdict, why in NO_PRACTICE.items():
        own = others.filter(pl.col("verdict") == verdict)
        steps = [
            f"“{title_of(report, row['step'])}” ({words.points(row['excess'], row['lo'], row['hi'])})"
            for row in own.iter_rows(named=True)
        ]
        if steps:
            told.append(f" Also missed more than by peers: {words.listed(steps)}; {why}.")
    return "".join(told)


def _yearly(row: dict[str, Any]) -> str:
    if row["preventable"] < LEAST_A_YEAR:
        return f"fewer than one comeback in ten years (at most {words.plain(round(row['preventable_hi'], 2))} a year)"
    return f"{words.amount(row['preventable'], row['preventable_lo'], row['preventable_hi'])} comebacks a year"


def _newest(report: Report, mine: pl.Series, step: str) -> list[str]:
    """The newest of these bleeds where the step was missed, those that came back first."""
    missed = report.ready.missed.get_column(step).fill_null(False)
    found = report.ready.bleeds.select("session_id", "started_at", "came_back").filter(missed & mine)
    return (
        found.sort("came_back", "started_at", descending=[True, True])
        .head(BLEEDS_A_STEP)
        .get_column("session_id")
        .to_list()
    )
