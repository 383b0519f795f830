"""One line of a proposed map: a field, its heading, why, its foreign words, and every reason to look at it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as declared

from analysis.intake.convert.cleaned_text import FALSE, TRUE, normalise_level
from analysis.intake.propose.column_profile import ColumnProfile
from analysis.intake.propose.mapping_warnings import CLOSE, ProposedLine, mapping_warnings
from analysis.intake.propose.word_lookup import word_levels
from schemas import Entry

MAX_WORDS = 80


@dataclass(frozen=True)
class ColumnMatch:
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
class Alternative:
    """Another heading for the same field, with its score, and whether it has no field of its own."""

    heading: str
    score: float
    free: bool


def column_match(
    line: ProposedLine, fits: float, alternatives: Sequence[Alternative], other_days: tuple[str, ...]
) -> ColumnMatch:
    """The proposed line.

    Parameters
    ----------
    line
        The field and its heading.
    fits
        How well what the column holds suits the field, 0–1.
    alternatives
        Other headings that might be the field, the likeliest first.
    other_days
        Headings without a field that hold days too.
    """
    values, unknown = _words(line.entry, line.profile)
    close_alternatives = tuple(one.heading for one in alternatives if one.free and one.score > line.score - CLOSE)
    return ColumnMatch(
        field=line.entry.name,
        heading=line.heading.text,
        score=line.score,
        reason=f"the heading says so ({line.heading_score:.0%}), what it holds fits ({fits:.0%})",
        unit=line.unit,
        values=values,
        unknown_words=unknown,
        runners_up=tuple(one.heading for one in alternatives[:2]),
        doubts=tuple(mapping_warnings(line, close_alternatives, other_days, unknown)),
    )


def _words(entry: Entry, profile: ColumnProfile) -> tuple[dict[str, tuple[str, ...]], tuple[str, ...]]:
    """Foreign words by level, and those nobody knows (of a word written more than once)."""
    if entry.type != "true/false" and not entry.levels:
        return {}, ()
    own = {normalise_level(level) for level in entry.levels}
    if entry.type == "true/false":
        own = {normalise_level(word) for word in (*TRUE, *FALSE)}
    by_level: dict[str, list[str]] = {}
    unknown = []
    often: dict[str, int] = dict(profile.texts.value_counts().iter_rows())
    known = word_levels(profile.distinct[:MAX_WORDS], entry)
    for word in profile.distinct[:MAX_WORDS]:
        if normalise_level(word) in own:
            continue
        level = known.get(word)
        if level is not None:
            by_level.setdefault(level, []).append(word)
        elif often.get(word, 0) > max(2, 0.002 * len(profile.texts)):
            unknown.append(word)
    return {level: tuple(words) for level, words in by_level.items()}, tuple(unknown)
