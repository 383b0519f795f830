"""Reasons against a proposed line of a map: contradictions, so that it is not proposed, and doubts, so that it is checked."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.intake.convert.cleaned_text import tokens
from analysis.intake.convert.numbers import unit_for
from analysis.intake.propose.column_profile import FAR_OFF, ColumnProfile, guess_levels_of_phrases, median_reading
from analysis.intake.propose.headings import Heading, irrelevant_words
from analysis.intake.propose.vocabulary import FieldVocabulary, negations
from schemas import Entry

MIN_SCORE = 0.33
"""A heading with a lower score is not proposed for a field, unless it is the only date column left."""
MIN_SURE_SCORE = 0.6
MAX_COUNT = 40
"""Whole numbers up to this may be counts where the heading suggests a count."""
MAX_SMALL_COUNT = 12
"""Whole numbers up to this may be counts whatever the heading."""
MEASURED = ("mm", "ml", "N·m")
AMBIGUOUS_UNITS = ("m", "in", "h", "c", "f", "s", "min")
"""Names of units that are also words or letters with other meanings."""
NUMBERS = ("number", "whole number")
DATES = ("date", "date or date-time")


@dataclass(frozen=True)
class ProposedLine:
    """A field, the heading proposed for it, and how well they match; scores are 0-1."""

    entry: Entry
    vocabulary: FieldVocabulary
    heading: Heading
    profile: ColumnProfile
    unit: str | None
    heading_score: float
    score: float


def contradiction(entry: Entry, heading: Heading, profile: ColumnProfile) -> str | None:
    """Why a heading with fitting words cannot be the field; None if nothing contradicts it."""
    if entry.type == "true/false":
        negated = [word for word in tokens(heading.text) if word in negations()]
        return f"the heading says the opposite ({negated[0]!r})" if negated else None
    if entry.type not in NUMBERS or entry.unit == "currency":
        return None
    if heading.unit and heading.unit not in AMBIGUOUS_UNITS and unit_for(heading.unit, entry.unit) is None:
        expected = f"in {entry.unit}" if entry.unit else "a count"
        return f"the heading gives {heading.unit}, but {entry.name} is {expected}"
    is_count = not heading.unit and _suggests_count(heading) and _looks_like_counts(profile, MAX_COUNT)
    if entry.unit in MEASURED and is_count:
        return f"it is a count ({_whole_range(profile)}), but {entry.name} is in {entry.unit}"
    return None


def mapping_warnings(
    line: ProposedLine, alternatives: tuple[str, ...], other_dates: tuple[str, ...], unknown: tuple[str, ...]
) -> list[str]:
    """Every reason to check a proposed line; none if both heading and contents match.

    `alternatives` are unused headings that fit nearly as well, `other_dates` those of other columns of dates, `unknown`
    words of the column that are in no vocabulary.
    """
    warnings = []
    if line.score < MIN_SURE_SCORE:
        warnings.append("only date column left" if line.score < MIN_SCORE else "weak match")
    irrelevant = irrelevant_words(line.heading, line.vocabulary)
    if irrelevant and line.heading_score < 1:
        warnings.append(f"heading also contains {_list_words(irrelevant)}")
    if alternatives:
        warnings.append(f"{_list_words(alternatives)} fits nearly as well")
    if line.entry.type in DATES and line.heading_score < 1 and other_dates:
        warnings.append(f"{_list_words(other_dates)} contains dates too")
    if line.entry.type in NUMBERS:
        warnings += _number_warnings(line)
    if unknown:
        warnings.append(f"unknown words: {_list_words(unknown)}")
    meanings = {"true": "yes", "false": "no"}
    warnings += [
        f"{word!r} is read as {meanings.get(level, level)} because of one of its words"
        for word, level in guess_levels_of_phrases(line.profile.distinct, line.entry)
    ]
    return warnings


def _number_warnings(line: ProposedLine) -> list[str]:
    """Reasons in the readings: counts instead of measurements, a guessed unit, an unusual size."""
    entry, profile, warnings = line.entry, line.profile, []
    if not profile.numbers.count():
        return []
    if entry.unit in MEASURED and not line.heading.unit and _looks_like_counts(profile, MAX_SMALL_COUNT):
        warnings.append(f"looks like a count ({_whole_range(profile)}), but {entry.name} is in {entry.unit}")
    if entry.unit in MEASURED and _suggests_count(line.heading) and line.heading_score < 1:
        warnings.append("heading suggests a count")
    if line.unit and not line.heading.unit:
        warnings.append(f"heading gives no unit; {line.unit} is guessed from the readings")
    return [*warnings, *_unusual_size_warning(line)]


def _unusual_size_warning(line: ProposedLine) -> list[str]:
    entry, usual = line.entry, line.vocabulary.usual
    median = median_reading(line.profile, unit_for(line.unit, entry.unit) if line.unit else None)
    if not median or not usual or entry.unit in ("", "currency", "°C"):
        return []
    if usual / FAR_OFF <= median <= usual * FAR_OFF:
        return []
    return [f"the median would be {median:.2g} {entry.unit}, but about {usual:g} is usual: check the unit"]


def _suggests_count(heading: Heading) -> bool:
    return any(
        sense.get("count", 0) >= MIN_SURE_SCORE or sense.get("number", 0) >= MIN_SURE_SCORE for sense in heading.senses
    )


def _looks_like_counts(profile: ColumnProfile, maximum: int) -> bool:
    """Whether a column's numbers are whole and from zero to a maximum."""
    values = profile.numbers.drop_nulls()
    return len(values) > 0 and bool(((values % 1 == 0) & (values >= 0) & (values <= maximum)).all())


def _whole_range(profile: ColumnProfile) -> str:
    values = profile.numbers.drop_nulls()
    low, high = values.min(), values.max()
    return f"whole numbers from {low:g} to {high:g}" if isinstance(low, float) and isinstance(high, float) else ""


def _list_words(words: tuple[str, ...]) -> str:
    return ", ".join(repr(word) for word in words[:4])
