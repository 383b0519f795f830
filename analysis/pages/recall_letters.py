"""A plain text for each brake to recall: what, why, ride or do not ride, what will be done."""

from __future__ import annotations

import re
from string import Formatter
from typing import Any

from analysis.errors import UserError
from analysis.pages.text import date_text
from analysis.report import Report
from analysis.rounds import open_recalls

DO_NOT_RIDE = "Do not ride."
TEMPLATE = """\
About your bike {bike}, {brake} brake

On {day} we bled this brake{workshop} (job {job}). Our records show {found}.
{ride}
{work}

Please call us to arrange a time. If another workshop has worked on this brake since, please let us know what was done.
"""
STOP = "Please do not ride the bike until a mechanic has checked the brake."
MEASURE = "Please do not ride the bike until we have checked the lever."
SOON = "Please bring the bike in soon. Do not ride it if the lever feels soft or fluid is leaking."
FLUSH = "We will drain it, flush it and refill it with the fluid the maker requires."
WORK = {
    "leak": "We will find the leak and repair it.",
    "not_firm": "We will bleed it again.",
    "wrong_kit": "We will assume the brake has the wrong fluid in it until we have checked.",
    "long_travel": "We will measure the lever travel again, and re-bleed the brake if the travel is too long.",
}
WRONG_FAMILY = (
    "We will drain and flush it, replace the parts the maker lists as damaged by the wrong fluid, then refill it with the right "
    "fluid and bleed it."
)
FIELDS = ("bike", "brake", "day", "workshop", "job", "found", "ride", "work")
SEPARATOR = "\n" + "-" * 60 + "\n\n"
NONE = "No brake to recall.\n"


def recall_letters(report: Report, template: str | None = None) -> str:
    """One text per brake on the recall list, most urgent first, without anybody's name.

    Parameters
    ----------
    report
        The audit.
    template
        The workshop's own words (None: plain ones), with any of {bike}, {brake}, {day}, {workshop}, {job}, {found}, {ride}, {work}.
    """
    letters = []
    for row in open_recalls(report).iter_rows(named=True):
        values = {
            "bike": row["bike_id"],
            "brake": row["brake"],
            "day": date_text(row["day"]),
            "workshop": f" at {row['shop']}" if row["shop"] else "",
            "job": row["session_id"],
            "found": row["finding"],
            "ride": _ride_advice(row),
            "work": _planned_work_text(row),
        }
        letters.append((template or TEMPLATE).format(**values))
    return SEPARATOR.join(letters) or NONE


def _ride_advice(row: dict[str, Any]) -> str:
    """Ride or do not ride, by the most serious reason."""
    if row["rule"] == "long_travel":
        return MEASURE
    return STOP if row["action"].startswith(DO_NOT_RIDE) else SOON


def _planned_work_text(row: dict[str, Any]) -> str:
    """What the workshop will do about every open reason; another bleed makes measuring first unnecessary."""
    texts = []
    for rule, action in zip(row["rules"], row["actions"], strict=True):
        if rule == "wrong_fluid":
            texts.append(WRONG_FAMILY if action.startswith(DO_NOT_RIDE) else FLUSH)
        elif rule != "long_travel" or "not_firm" not in row["rules"]:
            texts.append(WORK[rule])
    if WRONG_FAMILY in texts:
        texts = [text for text in texts if text != FLUSH]
    return " ".join(dict.fromkeys(texts))


def letter_template(text: str, file: str) -> str:
    """The workshop's own words, checked for unknown fields.

    Raises
    ------
    UserError
        A field in braces that a letter does not have.
    """
    expected = "any of " + ", ".join(f"{{{name}}}" for name in FIELDS)
    try:
        names = [name for _, name, _, _ in Formatter().parse(text) if name is not None]
    except ValueError as error:
        raise UserError(
            file, f"has a brace without its pair: {error}", expected, "write {{ and }} for plain braces"
        ) from error
    for name in names:
        if name not in FIELDS:
            raise UserError(file, f"has the unknown field {{{name}}}", expected, "correct the word in braces")
    return re.sub(r"\r\n?", "\n", text)
