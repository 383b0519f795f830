"""A plain text for each brake to recall: what, why, ride or do not ride, what will be done."""

from __future__ import annotations

import datetime as dt
import re
from string import Formatter

from analysis.errors import UserError
from analysis.pages.labels import level_label
from analysis.pages.lead_holds import OBVIOUS_RULES
from analysis.report import Report
from analysis.rounds import open_recalls

DO_NOT_RIDE = "Do not ride."
TEMPLATE = """\
About your bike {bike}, {brake} brake

On {day} we bled this brake{workshop} (job {job}). Our records show: {found}.
{ride}
What we will do: {work}

Please call us to arrange a time. If another workshop has worked on this brake since, please let us know what was done.
"""
RIDE = {
    True: "Please do not ride the bike until a mechanic has checked the brake.",
    False: "Please bring it in soon. Do not ride it if the lever feels soft or fluid is leaking.",
}
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
        stop = row["action"].startswith(DO_NOT_RIDE)
        reading = level_label(row["observed"])
        required = "" if row["rule"] in OBVIOUS_RULES else f" (required: {level_label(row['required'])})"
        values = {
            "bike": row["bike_id"],
            "brake": row["brake"],
            "day": _day(row["day"]),
            "workshop": f" in {row['shop']}" if row["shop"] else "",
            "job": row["session_id"],
            "found": reading + required,
            "ride": RIDE[stop],
            "work": row["action"].removeprefix(DO_NOT_RIDE).strip(),
        }
        letters.append((template or TEMPLATE).format(**values))
    return SEPARATOR.join(letters) or NONE


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


def _day(day: dt.date) -> str:
    return f"{day.day} {day:%B %Y}"
