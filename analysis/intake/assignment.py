"""Which heading goes with which field of one table: what fits best all together, and what was refused and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.intake.choices import Choice, Rival, choice
from analysis.intake.doubts import DAYS, Line, contradiction
from analysis.intake.heading_sense import Heading, likeness
from analysis.intake.holdings import Holding, likely_unit, speaks_for_itself, suits
from analysis.intake.table_map import FIELDS, required_fields
from analysis.intake.units import unit_for
from analysis.intake.vocabulary import FieldWords, field_words
from analysis.intake.words import plain
from schemas import Entry

LEAST = 0.33
HOLDS_DAYS = 0.8


@dataclass(frozen=True)
class Refused:
    """A heading that would have been a field by its words, and why it cannot be."""

    field: str
    heading: str
    why: str


@dataclass(frozen=True)
class Assigned:
    """The lines proposed for one table, and those refused."""

    choices: tuple[Choice, ...] = ()
    refused: tuple[Refused, ...] = ()


@dataclass(frozen=True)
class _Match:
    """How well one heading goes with one field: its unit, by name, by what it holds, and what speaks against it."""

    entry: Entry
    said: FieldWords
    heading: Heading
    held: Holding

    @cached_property
    def unit(self) -> str | None:
        return likely_unit(self.held, self.entry, self.said.usual, self.heading.unit)

    @cached_property
    def named(self) -> float:
        if plain(self.heading.text) == self.entry.name:
            return 1.0
        return max(likeness(self.heading, self.said), speaks_for_itself(self.held, self.entry))

    @cached_property
    def fits(self) -> float:
        unit = unit_for(self.unit, self.entry.unit) if self.unit else None
        return suits(self.held, self.entry, unit) if self.named > 0.05 else 0.0

    @cached_property
    def against(self) -> str | None:
        named_so = plain(self.heading.text) == self.entry.name
        return None if named_so or self.likely < LEAST else contradiction(self.entry, self.heading, self.held)

    @property
    def likely(self) -> float:
        return self.named * (0.25 + 0.75 * self.fits)

    @property
    def score(self) -> float:
        return 0.0 if self.against else self.likely


def assigned(table: str, spoken: Sequence[Heading], held: Sequence[Holding]) -> Assigned:
    """One heading a field at most, one field a heading at most, the sum of scores as large as can be.

    Parameters
    ----------
    table
        A table of the log.
    spoken, held
        What each heading says and what its column holds, in the file's order.
    """
    from scipy.optimize import linear_sum_assignment

    said, entries = field_words().get(table, {}), FIELDS[table]
    matches = [
        [_Match(entries[name], said[name], heading, one) for heading, one in zip(spoken, held, strict=True)]
        for name in entries
        if name in said
    ]
    if not matches or not held:
        return Assigned()
    scores = np.array([[match.score for match in row] for row in matches])
    rows, columns = linear_sum_assignment(-np.where(scores > LEAST * 0.6, scores, 0.0))
    pairs = {int(i): int(j) for i, j in zip(rows, columns, strict=True) if scores[i, j] >= LEAST}
    pairs |= _only_one_left(matches, pairs, required_fields(table))
    free = [j for j in range(len(held)) if j not in pairs.values()]
    choices = tuple(_line(matches[i], j, free) for i, j in sorted(pairs.items()))
    refused = tuple(
        Refused(row[j].entry.name, row[j].heading.text, row[j].against or "")
        for i, row in enumerate(matches)
        for j in free
        if row[j].against and i not in pairs
    )
    return Assigned(choices, refused)


def _only_one_left(matches: list[list[_Match]], pairs: dict[int, int], required: tuple[str, ...]) -> dict[int, int]:
    """A required day that no heading names, where one column of dates alone is left over: in doubt, but proposed."""
    held = [match.held for match in matches[0]]
    left = [j for j, one in enumerate(held) if j not in pairs.values() and _holds_days(one)]
    if len(left) != 1 or len(pairs) < 3:
        return {}
    days = (row[0].entry for row in matches)
    return {i: left[0] for i, e in enumerate(days) if e.name in required and i not in pairs and e.type in DAYS}


def _line(row: list[_Match], place: int, free: list[int]) -> Choice:
    mine = row[place]
    others = sorted((match.score, j) for j, match in enumerate(row) if j != place and match.score > LEAST * 0.7)
    rivals = [Rival(row[j].heading.text, score, j in free) for score, j in reversed(others)]
    days = tuple(row[j].heading.text for j in free if _holds_days(row[j].held))
    line = Line(mine.entry, mine.said, mine.heading, mine.held, mine.unit, mine.named, max(mine.score, LEAST))
    return choice(line, mine.fits, rivals, days)


def _holds_days(held: Holding) -> bool:
    return held.dates > HOLDS_DAYS and held.numeric < 0.95
