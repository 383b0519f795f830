"""Assign headings to the fields of one table so that the whole fits best, and note doubts and impossible matches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from functools import cached_property
from types import MappingProxyType

import numpy as np

from analysis.intake.convert.cleaned_text import FALSE, TRUE, normalise, normalise_level
from analysis.intake.convert.numbers import unit_for
from analysis.intake.mapping.table_map import FIELDS, required_fields
from analysis.intake.propose.column_profile import (
    ColumnProfile,
    likely_unit,
    score_by_values,
    value_score,
    word_levels,
)
from analysis.intake.propose.headings import Heading, name_similarity
from analysis.intake.propose.mapping_warnings import DATES, MIN_SCORE, ProposedLine, contradiction, mapping_warnings
from analysis.intake.propose.vocabulary import FieldVocabulary, field_vocabularies, is_out_of_scope
from schemas import Entry

HAS_DATES = 0.8
"""Share of dates from which a column may be the date of a table."""
CLOSE = 0.1
"""A heading whose score is within this of the best fits nearly as well."""
MAX_WORDS = 80
"""Distinct words of a column that are looked up."""


@dataclass(frozen=True)
class ColumnMatch:
    """The heading proposed for one field.

    `score`, `heading_score` and `value_score` are 0-1; `values` are the words of the export for each level;
    `unknown_words` those that mean none, each with its number of cells; `runners_up` the next best headings; `doubts` the reasons to check the line.
    """

    field: str
    heading: str
    score: float
    heading_score: float
    value_score: float
    unit: str | None = None
    values: dict[str, tuple[str, ...]] = dataclass_field(default_factory=dict)
    unknown_words: tuple[tuple[str, int], ...] = ()
    runners_up: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def doubtful(self) -> bool:
        return bool(self.doubts)

    @property
    def is_own(self) -> bool:
        """Whether it is a column that the log does not have."""
        return self.field.startswith("own.")


@dataclass(frozen=True)
class RefusedMatch:
    """A heading whose words suggest a field, and why it cannot be that field."""

    field: str
    heading: str
    reason: str


@dataclass(frozen=True)
class Assignment:
    """The lines proposed for one table, and the matches refused."""

    choices: tuple[ColumnMatch, ...] = ()
    refused: tuple[RefusedMatch, ...] = ()


@dataclass(frozen=True)
class _HeadingMatch:
    """How well one heading and its column match one field."""

    entry: Entry
    vocabulary: FieldVocabulary
    heading: Heading
    profile: ColumnProfile

    @cached_property
    def unit(self) -> str | None:
        return likely_unit(self.profile, self.entry, self.vocabulary.usual, self.heading.unit)

    @cached_property
    def heading_score(self) -> float:
        if normalise(self.heading.text) == self.entry.name:
            return 1.0
        return max(name_similarity(self.heading, self.vocabulary), score_by_values(self.profile, self.entry))

    @cached_property
    def value_score(self) -> float:
        unit = unit_for(self.unit, self.entry.unit) if self.unit else None
        return value_score(self.profile, self.entry, unit) if self.heading_score > 0.05 else 0.0

    @cached_property
    def contradiction(self) -> str | None:
        is_field_name = normalise(self.heading.text) == self.entry.name
        if is_field_name or self.unrestricted_score < MIN_SCORE:
            return None
        return contradiction(self.entry, self.heading, self.profile)

    @property
    def unrestricted_score(self) -> float:
        """The score if nothing contradicts the match."""
        return self.heading_score * (0.25 + 0.75 * self.value_score)

    @property
    def score(self) -> float:
        return 0.0 if self.contradiction else self.unrestricted_score

    @property
    def has_dates(self) -> bool:
        return self.profile.dates > HAS_DATES and self.profile.numeric_share < 0.95


def assign(
    table: str,
    headings: Sequence[Heading],
    profiles: Sequence[ColumnProfile],
    agreed: Mapping[str, str] = MappingProxyType({}),
) -> Assignment:
    """At most one heading per field and one field per heading, with the largest sum of scores.

    Parameters
    ----------
    table
        A table of the log.
    headings, profiles
        The headings of a file and its columns, in the file's order.
    agreed
        The field of headings (by `normalise`) that another file of the same exports has too.
    """
    from scipy.optimize import linear_sum_assignment

    vocabulary, entries = field_vocabularies().get(table, {}), FIELDS[table]
    matches = [
        [
            _HeadingMatch(entries[name], vocabulary[name], heading, one)
            for heading, one in zip(headings, profiles, strict=True)
        ]
        for name in entries
        if name in vocabulary
    ]
    if not matches or not profiles:
        return Assignment()
    scores = np.array([[match.score for match in row] for row in matches])
    for j, heading in enumerate(headings):
        if (name := agreed.get(normalise(heading.text))) is not None:
            scores[:, j] = [float(row[j].entry.name == name) for row in matches]
    rows, columns = linear_sum_assignment(-np.where(scores > MIN_SCORE * 0.6, scores, 0.0))
    pairs = {int(i): int(j) for i, j in zip(rows, columns, strict=True) if scores[i, j] >= MIN_SCORE}
    pairs |= _match_only_date_left(matches, pairs, required_fields(table))
    free = [j for j in range(len(profiles)) if j not in pairs.values()]
    choices = tuple(_column_match(matches[i], j, free) for i, j in sorted(pairs.items()))
    refused = tuple(
        RefusedMatch(row[j].entry.name, row[j].heading.text, row[j].contradiction or "")
        for i, row in enumerate(matches)
        for j in free
        if row[j].contradiction and i not in pairs
    )
    return Assignment(choices, refused)


def _match_only_date_left(
    matches: list[list[_HeadingMatch]], pairs: dict[int, int], required: tuple[str, ...]
) -> dict[int, int]:
    """A required date that no heading names, if one column of dates alone is left: proposed, but doubtful."""
    candidates = [j for j, match in enumerate(matches[0]) if j not in pairs.values() and match.has_dates]
    if len(candidates) != 1 or len(pairs) < 3:
        return {}
    entries = (row[0].entry for row in matches)
    return {
        i: candidates[0]
        for i, entry in enumerate(entries)
        if entry.name in required and i not in pairs and entry.type in DATES
    }


def _column_match(row: list[_HeadingMatch], index: int, free: list[int]) -> ColumnMatch:
    """The proposed line of a field (a row of matches) with its heading (by index), and the reasons to check it."""
    best = row[index]
    score = max(best.score, MIN_SCORE)
    others = sorted((match.score, j) for j, match in enumerate(row) if j != index and match.score > MIN_SCORE * 0.7)
    others.reverse()
    close = tuple(row[j].heading.text for other, j in others if j in free and other > score - CLOSE)
    other_dates = tuple(row[j].heading.text for j in free if row[j].has_dates)
    values, unknown = _words_by_level(best.entry, best.profile)
    line = ProposedLine(
        best.entry, best.vocabulary, best.heading, best.profile, best.unit, best.heading_score, best.score
    )
    return ColumnMatch(
        field=best.entry.name,
        heading=best.heading.text,
        score=score,
        heading_score=best.heading_score,
        value_score=best.value_score,
        unit=best.unit,
        values=values,
        unknown_words=unknown,
        runners_up=tuple(row[j].heading.text for _, j in others[:2]),
        doubts=tuple(mapping_warnings(line, close, other_dates, _recurring_unknown_values(unknown, best))),
    )


def _words_by_level(
    entry: Entry, profile: ColumnProfile
) -> tuple[dict[str, tuple[str, ...]], tuple[tuple[str, int], ...]]:
    """The words of a column by level, and those that mean none of them, each with its number of cells."""
    if entry.type != "true/false" and not entry.levels:
        return {}, ()
    own = {normalise_level(level) for level in entry.levels}
    if entry.type == "true/false":
        own = {normalise_level(word) for word in (*TRUE, *FALSE)}
    by_level: dict[str, list[str]] = {}
    levels = word_levels(tuple(profile.counts)[:MAX_WORDS], entry)
    foreign = {word: count for word, count in profile.counts.items() if normalise_level(word) not in own}
    for word in foreign:
        if word in levels:
            by_level.setdefault(levels[word], []).append(word)
    unknown = tuple((word, count) for word, count in foreign.items() if word not in levels)
    return {level: tuple(words) for level, words in by_level.items()}, unknown


def _recurring_unknown_values(unknown: tuple[tuple[str, int], ...], match: _HeadingMatch) -> tuple[str, ...]:
    """Unknown words that are more than a typing error; words for other brakes are known to be out of scope."""
    least = max(2, 0.002 * match.profile.rows)
    of_brakes = match.entry.name == "brake"
    return tuple(word for word, count in unknown if count > least and not (of_brakes and is_out_of_scope(word)))
