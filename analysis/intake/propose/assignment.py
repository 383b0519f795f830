"""Which heading goes with which field of one table: what fits best all together, and what was refused and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.convert.units import unit_for
from analysis.intake.mapping.table_map import FIELDS, required_fields
from analysis.intake.propose.column_match import Alternative, ColumnMatch, column_match
from analysis.intake.propose.column_profile import ColumnProfile, identifiable_by_values, likely_unit, value_score
from analysis.intake.propose.headings import Heading, name_similarity
from analysis.intake.propose.mapping_warnings import DAYS, ProposedLine, contradiction
from analysis.intake.propose.vocabulary import FieldVocabulary, field_vocabulary
from schemas import Entry

MIN_SCORE = 0.33
HOLDS_DAYS = 0.8


@dataclass(frozen=True)
class RefusedMatch:
    """A heading that would have been a field by its words, and why it cannot be."""

    field: str
    heading: str
    reason: str


@dataclass(frozen=True)
class Assignment:
    """The lines proposed for one table, and those refused."""

    choices: tuple[ColumnMatch, ...] = ()
    refused: tuple[RefusedMatch, ...] = ()


@dataclass(frozen=True)
class _Match:
    """How well one heading goes with one field: its unit, by name, by what it holds, and what speaks against it."""

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
        return max(name_similarity(self.heading, self.vocabulary), identifiable_by_values(self.profile, self.entry))

    @cached_property
    def fits(self) -> float:
        unit = unit_for(self.unit, self.entry.unit) if self.unit else None
        return value_score(self.profile, self.entry, unit) if self.heading_score > 0.05 else 0.0

    @cached_property
    def contradiction(self) -> str | None:
        named_so = normalise(self.heading.text) == self.entry.name
        return None if named_so or self.likely < MIN_SCORE else contradiction(self.entry, self.heading, self.profile)

    @property
    def likely(self) -> float:
        return self.heading_score * (0.25 + 0.75 * self.fits)

    @property
    def score(self) -> float:
        return 0.0 if self.contradiction else self.likely


def assign(table: str, headings: Sequence[Heading], profiles: Sequence[ColumnProfile]) -> Assignment:
    """One heading a field at most, one field a heading at most, the sum of scores as large as can be.

    Parameters
    ----------
    table
        A table of the log.
    headings, profiles
        What each heading says and what its column holds, in the file's order.
    """
    from scipy.optimize import linear_sum_assignment

    vocabulary, entries = field_vocabulary().get(table, {}), FIELDS[table]
    matches = [
        [_Match(entries[name], vocabulary[name], heading, one) for heading, one in zip(headings, profiles, strict=True)]
        for name in entries
        if name in vocabulary
    ]
    if not matches or not profiles:
        return Assignment()
    scores = np.array([[match.score for match in row] for row in matches])
    rows, columns = linear_sum_assignment(-np.where(scores > MIN_SCORE * 0.6, scores, 0.0))
    pairs = {int(i): int(j) for i, j in zip(rows, columns, strict=True) if scores[i, j] >= MIN_SCORE}
    pairs |= _only_one_left(matches, pairs, required_fields(table))
    free = [j for j in range(len(profiles)) if j not in pairs.values()]
    choices = tuple(_line(matches[i], j, free) for i, j in sorted(pairs.items()))
    refused = tuple(
        RefusedMatch(row[j].entry.name, row[j].heading.text, row[j].contradiction or "")
        for i, row in enumerate(matches)
        for j in free
        if row[j].contradiction and i not in pairs
    )
    return Assignment(choices, refused)


def _only_one_left(matches: list[list[_Match]], pairs: dict[int, int], required: tuple[str, ...]) -> dict[int, int]:
    """A required day that no heading names, where one column of dates alone is left over: in doubt, but proposed."""
    profiles_left = [match.profile for match in matches[0]]
    candidates = [j for j, one in enumerate(profiles_left) if j not in pairs.values() and _holds_days(one)]
    if len(candidates) != 1 or len(pairs) < 3:
        return {}
    days = (row[0].entry for row in matches)
    return {i: candidates[0] for i, e in enumerate(days) if e.name in required and i not in pairs and e.type in DAYS}


def _line(row: list[_Match], index: int, free: list[int]) -> ColumnMatch:
    best = row[index]
    others = sorted((match.score, j) for j, match in enumerate(row) if j != index and match.score > MIN_SCORE * 0.7)
    rivals = [Alternative(row[j].heading.text, score, j in free) for score, j in reversed(others)]
    days = tuple(row[j].heading.text for j in free if _holds_days(row[j].profile))
    line = ProposedLine(
        best.entry,
        best.vocabulary,
        best.heading,
        best.profile,
        best.unit,
        best.heading_score,
        max(best.score, MIN_SCORE),
    )
    return column_match(line, best.fits, rivals, days)


def _holds_days(profile: ColumnProfile) -> bool:
    return profile.dates > HOLDS_DAYS and profile.numeric < 0.95
