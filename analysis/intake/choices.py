"""One line of a proposed map: a field, its heading, why, its foreign words, and every reason to look at it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as declared

from analysis.intake.doubts import CLOSE, Line, doubts
from analysis.intake.foreign_words import levels_of
from analysis.intake.holdings import Holding
from analysis.intake.words import FALSE, TRUE, squeezed
from schemas import Entry

MOST_WORDS = 80


@dataclass(frozen=True)
class Choice:
    """One field's heading: how sure (0–1), why, in what unit, which foreign words mean what, who came next, and what
    speaks for a look at it."""

    field: str
    heading: str
    score: float
    reason: str
    unit: str | None = None
    values: dict[str, tuple[str, ...]] = declared(default_factory=dict)
    unknown_words: tuple[str, ...] = ()
    runners_up: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def doubtful(self) -> bool:
        return bool(self.doubts)


@dataclass(frozen=True)
class Rival:
    """Another heading for the same field, with its score, and whether it has no field of its own."""

    heading: str
    score: float
    free: bool


def choice(line: Line, fits: float, rivals: Sequence[Rival], other_days: tuple[str, ...]) -> Choice:
    """The proposed line.

    Parameters
    ----------
    line
        The field and its heading.
    fits
        How well what the column holds suits the field, 0–1.
    rivals
        Other headings that might be the field, the likeliest first.
    other_days
        Headings without a field that hold days too.
    """
    values, unknown = _words(line.entry, line.held)
    near = tuple(one.heading for one in rivals if one.free and one.score > line.score - CLOSE)
    return Choice(
        field=line.entry.name,
        heading=line.heading.text,
        score=line.score,
        reason=f"the heading says so ({line.named:.0%}), what it holds fits ({fits:.0%})",
        unit=line.unit,
        values=values,
        unknown_words=unknown,
        runners_up=tuple(one.heading for one in rivals[:2]),
        doubts=tuple(doubts(line, near, other_days, unknown)),
    )


def _words(entry: Entry, held: Holding) -> tuple[dict[str, tuple[str, ...]], tuple[str, ...]]:
    """Foreign words by level, and those nobody knows (of a word written more than once)."""
    if entry.type != "true/false" and not entry.levels:
        return {}, ()
    own = {squeezed(level) for level in entry.levels}
    if entry.type == "true/false":
        own = {squeezed(word) for word in (*TRUE, *FALSE)}
    by_level: dict[str, list[str]] = {}
    unknown = []
    often: dict[str, int] = dict(held.texts.value_counts().iter_rows())
    known = levels_of(held.distinct[:MOST_WORDS], entry)
    for word in held.distinct[:MOST_WORDS]:
        if squeezed(word) in own:
            continue
        level = known.get(word)
        if level is not None:
            by_level.setdefault(level, []).append(word)
        elif often.get(word, 0) > max(2, 0.002 * len(held.texts)):
            unknown.append(word)
    return {level: tuple(words) for level, words in by_level.items()}, tuple(unknown)
