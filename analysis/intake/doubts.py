"""What speaks against a proposed line of a map: against it so far that it is not proposed, or enough to ask for a look."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.intake.foreign_words import guessed_by_part
from analysis.intake.heading_sense import Heading, beside_the_point
from analysis.intake.holdings import FAR_OFF, Holding, middle
from analysis.intake.units import unit_for
from analysis.intake.vocabulary import FieldWords, negations, tokens
from schemas import Entry

SURE = 0.6
CLOSE = 0.1
"""A second heading within this of the first one's score fits nearly as well."""
MOST_COUNTED = 40
FEW_COUNTED = 12
MEASURED = ("mm", "ml", "N·m")
TWO_MEANINGS = ("m", "in", "h", "c", "f", "s", "min")
"""Names of units that are short words or letters with other meanings too."""
NUMBERS = ("number", "whole number")
DAYS = ("date", "date or date-time")


@dataclass(frozen=True)
class Line:
    """One field and the heading proposed for it, with all that is known of both."""

    entry: Entry
    said: FieldWords
    heading: Heading
    held: Holding
    unit: str | None
    named: float
    score: float


def contradiction(entry: Entry, heading: Heading, held: Holding) -> str | None:
    """Why a heading cannot be the field although its words are near it; None where nothing speaks so far against it."""
    if entry.type == "true/false":
        denied = [word for word in tokens(heading.text) if word in negations()]
        return f"the heading says the opposite ({denied[0]})" if denied else None
    if entry.type not in NUMBERS or entry.unit == "currency":
        return None
    if heading.unit and heading.unit not in TWO_MEANINGS and unit_for(heading.unit, entry.unit) is None:
        own = f"is measured in {entry.unit}" if entry.unit else "is a count"
        return f"the heading says {heading.unit}, {entry.name} {own}"
    if entry.unit in MEASURED and not heading.unit and _speaks_of_a_count(heading) and _counted(held, MOST_COUNTED):
        return f"it is a count ({_whole_range(held)}), {entry.name} is measured in {entry.unit}"
    return None


def doubts(line: Line, rivals: tuple[str, ...], other_days: tuple[str, ...], unknown: tuple[str, ...]) -> list[str]:
    """Every reason to look at a proposed line, in plain words; none where both heading and cells speak for it.

    Parameters
    ----------
    line
        The field and its heading.
    rivals
        Headings without a field that fit nearly as well.
    other_days
        Headings without a field that hold days too.
    unknown
        Words of the column that no language knows.
    """
    found = []
    if line.score < SURE:
        found.append("heading or cells speak only faintly for it")
    beside = beside_the_point(line.heading, line.said)
    if beside and line.named < 1:
        found.append(f"the heading also says {_listed(beside)}")
    if rivals:
        found.append(f"{_listed(rivals)} fits nearly as well")
    if line.entry.type in DAYS and line.named < 1 and other_days:
        found.append(f"{_listed(other_days)} holds days too")
    if line.entry.type in NUMBERS:
        found += _doubts_of_numbers(line)
    if unknown:
        found.append(f"nobody knows {_listed(unknown)}")
    found += [
        f"{word!r} is read as {level} by a part of it"
        for word, level in guessed_by_part(line.held.distinct, line.entry)
    ]
    return found


def _doubts_of_numbers(line: Line) -> list[str]:
    """What the readings themselves say: counted or measured, in which unit, and how far from the usual."""
    entry, held, found = line.entry, line.held, []
    if not held.numbers.count():
        return []
    if entry.unit in MEASURED and not line.heading.unit and _counted(held, FEW_COUNTED):
        found.append(f"{_whole_range(held)}, as a count has them; {entry.name} is in {entry.unit}")
    if entry.unit in MEASURED and _speaks_of_a_count(line.heading) and line.named < 1:
        found.append("the heading speaks of a count")
    if line.unit and not line.heading.unit:
        found.append(f"the heading names no unit; {line.unit} is taken from its readings")
    return [*found, *_far_from_usual(line)]


def _far_from_usual(line: Line) -> list[str]:
    entry, usual = line.entry, line.said.usual
    value = middle(line.held, unit_for(line.unit, entry.unit) if line.unit else None)
    if not value or not usual or entry.unit in ("", "currency", "°C") or usual / FAR_OFF <= value <= usual * FAR_OFF:
        return []
    return [f"a middling reading would be {value:.2g} {entry.unit}, where about {usual:g} is usual: which unit?"]


def _speaks_of_a_count(heading: Heading) -> bool:
    return any(sense.get("count", 0) >= SURE or sense.get("number", 0) >= SURE for sense in heading.senses)


def _counted(held: Holding, most: int) -> bool:
    """Whether a column's numbers are whole, none below nothing, and none large."""
    values = held.numbers.drop_nulls()
    return len(values) > 0 and bool(((values % 1 == 0) & (values >= 0) & (values <= most)).all())


def _whole_range(held: Holding) -> str:
    values = held.numbers.drop_nulls()
    low, high = values.min(), values.max()
    return f"whole numbers from {low:g} to {high:g}" if isinstance(low, float) and isinstance(high, float) else ""


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(repr(word) for word in words[:4])
