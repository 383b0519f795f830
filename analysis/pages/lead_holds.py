"""Recalls: brakes to ask back now, the most dangerous and the most recent first."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import holds_by_day
from analysis.pages.question import Finding, Question, chart_specs, page_table
from analysis.pages.recall_letters import DO_NOT_RIDE
from analysis.pages.text import capitalised, join_words, quantity
from analysis.report import Report
from analysis.rounds import RECENT_DAYS, SAFETY_CHECKS, TO_MEASURE, open_recalls, unrecorded_safety_checks

ROWS_LISTED, ROWS_TO_MEASURE = 15, 4
"""Brakes to recall in the list; brakes to measure again, where none is to recall."""
REASONS = {
    "wrong_fluid": "wrong fluid",
    "wrong_kit": "kit of the other fluid",
    "not_firm": "soft lever",
    "leak": "leaking",
}
"""Why a brake is recalled, in two or three words."""
COLUMNS = {
    "bike_id": "bike", "brake": "front/rear", "finding": "recorded", "technician": "bled by", "shop": "workshop", "day": "bled on",
    "days_since": "days ago", "session_id": "job", "action": "what to do", "returned_on": "returned on",
}  # fmt: skip


def recalls(report: Report) -> pl.DataFrame:
    """Open recalls, most urgent first: each brake once, under its latest bleed to recall and the most serious reason of that bleed."""
    return open_recalls(report)


def recall_finding(report: Report) -> Finding:
    """How many brakes to recall now, by reason."""
    unchecked = unrecorded_safety_checks(report.log)
    if len(unchecked) == len(SAFETY_CHECKS):
        return Finding(f"Cannot check for recalls: {join_words(unchecked)} are not recorded.")
    note = f" Not recorded, so not checked: {join_words(unchecked)}." if unchecked else ""
    open_recalls = recalls(report)
    if open_recalls.is_empty():
        return _nothing_to_recall_finding(report, note)
    certain = open_recalls.filter(~TO_MEASURE)
    recent, to_measure = certain.filter(~pl.col("older")).height, open_recalls.height - certain.height
    reasons = certain.group_by("rule").len().sort("len", "rule", descending=[True, False])
    counts = [f"{n} {REASONS[rule]}" for rule, n in reasons.iter_rows()]
    texts = [f"{quantity(certain.height, 'brake')} to recall ({', '.join(counts)})"] if certain.height else []
    measured = f"{to_measure:,}" if certain.height else quantity(to_measure, "brake")
    texts += [f"{measured} to measure again"] if to_measure else []
    text = f"{capitalised(join_words(texts))}."
    if 0 < recent < certain.height:
        text += f" Start with the {_number_word(recent)} bled in the last {RECENT_DAYS} days."
    return Finding(text, note.strip())


def _nothing_to_recall_finding(report: Report, note: str) -> Finding:
    text = "Nothing to recall: no recorded bleed breaks a safety rule."
    if report.holds.height:
        bleeds = quantity(report.holds.n_unique("session_id"), "bleed")
        text = (
            f"Nothing to recall now: {bleeds} broke a safety rule, but every brake concerned has been dealt with since."
        )
    return Finding(text, note.strip())


def recall_question(report: Report) -> Question:
    """Which bikes to recall now."""
    open_recalls = recalls(report)
    return Question(
        id="holds",
        question="Which bikes do we recall now?",
        answer=recall_finding(report),
        points=tuple(_recall_text(row) for row in _first_listed(open_recalls).iter_rows(named=True)),
        action=_action_text(open_recalls),
        fold_charts=True,
        charts=chart_specs(holds_by_day(report)) if len(report.holds) else (),
        table=page_table(open_recalls, "Brakes to recall or to measure again, most urgent first", COLUMNS, "tables/holds.csv"),
        open_table=0 < len(open_recalls) <= ROWS_TO_MEASURE,
        method=(
            "A recall follows from a rule, not from statistics: the wrong fluid, a kit used for the other fluid, a lever that "
            "was not firm, a leak, or lever travel far longer than is normal for a firm brake of that model or much longer than before the bleed. "
            "It closes when a later bleed of the same brake breaks no rule. A later bleed whose only fault is long lever travel closes "
            "any earlier recall reasons it records as fixed, and the travel is measured again. A long-travel recall is also closed once the brake has come back. Of the outcomes you report, “re-bled” and “elsewhere” close every recall; “firm” closes one for a soft lever or long travel, not one for a leak or the fluid. Each brake is listed once, "
            f"under its latest bleed with an open reason, with all its open reasons. Brakes to recall come before brakes to measure again (long lever "
            f"travel and no other reason). Within each group, those bled in the last {RECENT_DAYS} days come first; then the order is: "
            "the wrong type of fluid (mineral/DOT), a leak, a soft lever, a kit used for the other fluid, the wrong grade of the "
            "right fluid. This order follows common practice, without a published source; a qualified mechanic may know better."
        ),
    )  # fmt: skip


def _first_listed(open_recalls: pl.DataFrame) -> pl.DataFrame:
    """The brakes that are listed in words: those to recall, or, where there are none, the first to measure again."""
    certain = open_recalls.filter(~TO_MEASURE)
    return certain.head(ROWS_LISTED) if certain.height else open_recalls.head(ROWS_TO_MEASURE)


def _recall_text(row: dict[str, Any]) -> str:
    """One brake on the list in a line: which, why, and how long ago it was bled."""
    finding, action = row["finding"].partition(" and ")[0], row["action"].partition(". ")[0].removesuffix(".")
    _, bracket, other_day = finding.partition(" (on ")
    why = f"{REASONS[row['rule']]}{bracket}{other_day}" if row["rule"] in REASONS else f"{finding}. {action}"
    back = f" It came back on {row['returned_on']}: ask what was done then." if row["returned_on"] else ""
    return f"{row['bike_id']}, {row['brake']}, {_days_ago_text(row['days_since'])}: {why}.{back}"


def _days_ago_text(days: int) -> str:
    return "today" if days == 0 else f"{quantity(days, 'day')} ago"


def _number_word(count: int) -> str:
    words = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return words[count - 1] if count <= len(words) else f"{count}"


def _action_text(open_recalls: pl.DataFrame) -> str:
    """What to do first today, and what comes after it."""
    if open_recalls.is_empty():
        return ""
    certain = open_recalls.filter(~TO_MEASURE)
    text = f"Before anything else, call the {'owner' if open_recalls.height == 1 else 'owners in this order'}."
    if certain.height:
        where = "" if certain.get_column("action").str.starts_with(DO_NOT_RIDE).all() else " where the table says so"
        text = f"{text.removesuffix('.')}, and ask them not to ride{where}."
    if open_recalls.get_column("older").any():
        text += " If the bleed is older, also ask whether another shop has re-bled the brake."
    unlisted = open_recalls.height - _first_listed(open_recalls).height
    if unlisted > 0:
        rest = "The other one is" if unlisted == 1 else f"The other {unlisted} are"
        text += f" {rest} in the table."
    return text
