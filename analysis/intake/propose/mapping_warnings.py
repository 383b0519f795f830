"""What speaks against a proposed line of a map: against it so far that it is not proposed, or enough to ask for a look."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.intake.convert.units import unit_for
from analysis.intake.propose.column_profile import FAR_OFF, ColumnProfile, median_reading
from analysis.intake.propose.headings import Heading, irrelevant_words
from analysis.intake.propose.vocabulary import FieldVocabulary, negations, tokens
from analysis.intake.propose.word_lookup import guess_by_part
from schemas import Entry

SURE = 0.6
CLOSE = 0.1
"""A second heading within this of the first one's score fits nearly as well."""
MAX_COUNTED = 40
FEW_COUNTED = 12
MEASURED = ("mm", "ml", "N·m")
TWO_MEANINGS = ("m", "in", "h", "c", "f", "s", "min")
"""Names of units that are short words or letters with other meanings too."""
NUMBERS = ("number", "whole number")
DAYS = ("date", "date or date-time")


@dataclass(frozen=True)
class ProposedLine:
    """One field and the heading proposed for it, with all that is known of both."""

    entry: Entry
    vocabulary: FieldVocabulary
    heading: Heading
    profile: ColumnProfile
    unit: str | None
    heading_score: float
    score: float


def contradiction(entry: Entry, heading: Heading, profile: ColumnProfile) -> str | None:
    """Why a heading cannot be the field although its words are near it; None where nothing speaks so far against it."""
    if entry.type == "true/false":
        denied = [word for word in tokens(heading.text) if word in negations()]
        return f"the heading says the opposite ({denied[0]})" if denied else None
    if entry.type not in NUMBERS or entry.unit == "currency":
        return None
    if heading.unit and heading.unit not in TWO_MEANINGS and unit_for(heading.unit, entry.unit) is None:
        own = f"is measured in {entry.unit}" if entry.unit else "is a count"
        return f"the heading says {heading.unit}, {entry.name} {own}"
    if (
        entry.unit in MEASURED
        and not heading.unit
        and _speaks_of_a_count(heading)
        and _looks_like_counts(profile, MAX_COUNTED)
    ):
        return f"it is a count ({_whole_range(profile)}), {entry.name} is measured in {entry.unit}"
    return None


def mapping_warnings(
    line: ProposedLine, alternatives: tuple[str, ...], other_days: tuple[str, ...], unknown: tuple[str, ...]
) -> list[str]:
    """Every reason to look at a proposed line, in plain words; none where both heading and cells speak for it.

    Parameters
    ----------
    line
        The field and its heading.
    alternatives
        Headings without a field that fit nearly as well.
    other_days
        Headings without a field that hold days too.
    unknown
        Words of the column that no language knows.
    """
    warnings = []
    if line.score < SURE:
        warnings.append("heading or cells speak only faintly for it")
    irrelevant = irrelevant_words(line.heading, line.vocabulary)
    if irrelevant and line.heading_score < 1:
        warnings.append(f"the heading also says {_listed(irrelevant)}")
    if alternatives:
        warnings.append(f"{_listed(alternatives)} fits nearly as well")
    if line.entry.type in DAYS and line.heading_score < 1 and other_days:
        warnings.append(f"{_listed(other_days)} holds days too")
    if line.entry.type in NUMBERS:
        warnings += _number_warnings(line)
    if unknown:
        warnings.append(f"nobody knows {_listed(unknown)}")
    warnings += [
        f"{word!r} is read as {level} by a part of it"
        for word, level in guess_by_part(line.profile.distinct, line.entry)
    ]
    return warnings


def _number_warnings(line: ProposedLine) -> list[str]:
    """What the readings themselves say: counted or measured, in which unit, and how far from the usual."""
    entry, profile, warnings = line.entry, line.profile, []
    if not profile.numbers.count():
        return []
    if entry.unit in MEASURED and not line.heading.unit and _looks_like_counts(profile, FEW_COUNTED):
        warnings.append(f"{_whole_range(profile)}, as a count has them; {entry.name} is in {entry.unit}")
    if entry.unit in MEASURED and _speaks_of_a_count(line.heading) and line.heading_score < 1:
        warnings.append("the heading speaks of a count")
    if line.unit and not line.heading.unit:
        warnings.append(f"the heading names no unit; {line.unit} is taken from its readings")
    return [*warnings, *_far_from_usual(line)]


def _far_from_usual(line: ProposedLine) -> list[str]:
    entry, usual = line.entry, line.vocabulary.usual
    value = median_reading(line.profile, unit_for(line.unit, entry.unit) if line.unit else None)
    if not value or not usual or entry.unit in ("", "currency", "°C") or usual / FAR_OFF <= value <= usual * FAR_OFF:
        return []
    return [f"a middling reading would be {value:.2g} {entry.unit}, where about {usual:g} is usual: which unit?"]


def _speaks_of_a_count(heading: Heading) -> bool:
    return any(sense.get("count", 0) >= SURE or sense.get("number", 0) >= SURE for sense in heading.senses)


def _looks_like_counts(profile: ColumnProfile, most: int) -> bool:
    """Whether a column's numbers are whole, none below nothing, and none large."""
    values = profile.numbers.drop_nulls()
    return len(values) > 0 and bool(((values % 1 == 0) & (values >= 0) & (values <= most)).all())


def _whole_range(profile: ColumnProfile) -> str:
    values = profile.numbers.drop_nulls()
    low, high = values.min(), values.max()
    return f"whole numbers from {low:g} to {high:g}" if isinstance(low, float) and isinstance(high, float) else ""


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(repr(word) for word in words[:4])
