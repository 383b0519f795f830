"""A map proposed for foreign exports: by what headings say and by what the columns hold, each with its reason and doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as declared

import numpy as np

from analysis.errors import CannotRun
from analysis.intake.day_order import Order
from analysis.intake.file_marks import date_order, decimal_mark
from analysis.intake.heading_sense import Heading, headings, likeness
from analysis.intake.holdings import Holding, holding, levels_of, likely_unit, speaks_for_itself, suits
from analysis.intake.raw import RawTable
from analysis.intake.table_map import FIELDS, MADE_IDS, required_fields
from analysis.intake.units import unit_for
from analysis.intake.vocabulary import field_words
from analysis.intake.words import FALSE, TRUE, plain, squeezed
from schemas import Entry

LEAST, SURE = 0.33, 0.6
DATES = ("date", "date or date-time")


@dataclass(frozen=True)
class Choice:
    """One field's heading: how sure (0–1), why, in what unit, which foreign words mean what, and who came next."""

    field: str
    heading: str
    score: float
    reason: str
    unit: str | None = None
    values: dict[str, tuple[str, ...]] = declared(default_factory=dict)
    unknown_words: tuple[str, ...] = ()
    runners_up: tuple[str, ...] = ()

    @property
    def doubtful(self) -> bool:
        return self.score < SURE or bool(self.unknown_words)


@dataclass(frozen=True)
class Proposal:
    """What one file seems to be."""

    file: str
    table: str | None
    choices: tuple[Choice, ...]
    unmapped: tuple[str, ...]
    lacks: tuple[str, ...]
    decimal: str
    thousands: str
    date_order: Order | None
    date_doubt: str | None
    missing: tuple[str, ...]


def proposals(raws: Sequence[RawTable]) -> list[Proposal]:
    """A proposal for every file; the table is None where it looks like nothing of the log.

    Parameters
    ----------
    raws
        Files as they stand.
    """
    return [_proposal(raw) for raw in raws]


def _proposal(raw: RawTable) -> Proposal:
    decimal = decimal_mark(raw.cells)
    held = [holding(heading, raw.cells.get_column(heading), decimal) for heading in raw.headings]
    spoken = headings(raw.headings)
    found = {table: _assigned(table, spoken, held) for table in FIELDS}
    table = max(found, key=lambda name: _worth(name, found[name]))
    choices = found[table]
    lacks = tuple(n for n in required_fields(table) if n not in {c.field for c in choices})
    if (
        len(choices) < 2
        or not _tells(table, choices, spoken)
        or len(lacks) > len(required_fields(table)) / 2
        or _worth(table, choices) <= 0
    ):
        return Proposal(raw.file, None, (), tuple(raw.headings), (), decimal, "", None, None, ())
    used = {choice.heading for choice in choices}
    mine = [one for one in held if one.heading in used]
    days = date_order(raw.cells.select(c.heading for c in choices if FIELDS[table][c.field].type in DATES))
    missing = tuple(dict.fromkeys(word for one in mine for word in one.missing))
    rest = tuple(heading for heading in raw.headings if heading not in used)
    return Proposal(raw.file, table, choices, rest, lacks, decimal, "", days.order, days.doubt, missing)


def _assigned(table: str, spoken: list[Heading], held: list[Holding]) -> tuple[Choice, ...]:
    """One heading a field at most, one field a heading at most, the sum of scores as large as can be."""
    from scipy.optimize import linear_sum_assignment

    said, entries = field_words().get(table, {}), FIELDS[table]
    names = [name for name in entries if name in said]
    if not names or not held:
        return ()
    units = [
        [
            likely_unit(one, entries[name], said[name].usual, heading.unit)
            for heading, one in zip(spoken, held, strict=True)
        ]
        for name in names
    ]
    named = np.array(
        [
            [
                max(_named(heading, name, likeness(heading, said[name])), speaks_for_itself(one, entries[name]))
                for heading, one in zip(spoken, held, strict=True)
            ]
            for name in names
        ]
    )
    fits = np.array(
        [
            [suits(one, entries[name], unit_for(u, entries[name].unit) if u else None) if named[i, j] > 0.05 else 0.0
             for j, (one, u) in enumerate(zip(held, units[i], strict=True))]
            for i, name in enumerate(names)
        ]
    )  # fmt: skip
    scores = named * (0.25 + 0.75 * fits)
    rows, columns = linear_sum_assignment(-np.where(scores > LEAST * 0.6, scores, 0.0))
    pairs = {int(i): int(j) for i, j in zip(rows, columns, strict=True) if scores[i, j] >= LEAST}
    pairs |= _only_one_left(names, entries, held, pairs, required_fields(table))
    return tuple(
        _choice(
            entries[names[i]],
            spoken,
            held,
            np.maximum(scores[i], LEAST * (np.arange(len(held)) == j)),
            named[i],
            fits[i],
            j,
            units[i][j],
        )
        for i, j in sorted(pairs.items())
    )


def _only_one_left(
    names: list[str], entries: dict[str, Entry], held: list[Holding], pairs: dict[int, int], required: tuple[str, ...]
) -> dict[int, int]:
    """A required day that no heading names, where one column of dates alone is left over: in doubt, but proposed."""
    found: dict[int, int] = {}
    left = [j for j, one in enumerate(held) if j not in pairs.values() and one.dates > 0.8 and one.numeric < 0.95]
    for i, name in enumerate(names):
        if name in required and i not in pairs and entries[name].type in DATES and len(left) == 1 and len(pairs) >= 3:
            found[i] = left[0]
    return found


def _named(heading: Heading, name: str, said: float) -> float:
    return 1.0 if plain(heading.text) == name else said


def _choice(
    entry: Entry,
    spoken: list[Heading],
    held: list[Holding],
    scores: np.ndarray,
    named: np.ndarray,
    fits: np.ndarray,
    place: int,
    unit: str | None,
) -> Choice:
    others = [j for j in np.argsort(-scores)[:3] if j != place and scores[j] > LEAST * 0.7]
    reason = f"the heading says so ({named[place]:.0%}), what it holds fits ({fits[place]:.0%})"
    values, unknown = _words(entry, held[place])
    return Choice(
        field=entry.name,
        heading=spoken[place].text,
        score=float(scores[place]),
        reason=reason,
        unit=unit,
        values=values,
        unknown_words=unknown,
        runners_up=tuple(spoken[j].text for j in others[:2]),
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
    known = levels_of(held.distinct[:80], entry)
    for word in held.distinct[:80]:
        if squeezed(word) in own:
            continue
        level = known.get(word)
        if level is not None:
            by_level.setdefault(level, []).append(word)
        elif often.get(word, 0) > max(2, 0.002 * len(held.texts)):
            unknown.append(word)
    return {level: tuple(words) for level, words in by_level.items()}, tuple(unknown)


def _tells(table: str, choices: tuple[Choice, ...], spoken: list[Heading]) -> bool:
    """A bike and a day alone are no return: they stand in an invoice too."""
    if table != "comebacks" or {"comeback_id", "session_id", "complaint", "finding"} & {c.field for c in choices}:
        return True
    day = next((choice.heading for choice in choices if choice.field == "returned_at"), None)
    return any("return" in sense for heading in spoken if heading.text == day for sense in heading.senses)


def _worth(table: str, choices: tuple[Choice, ...]) -> float:
    lacks = set(required_fields(table)) - {choice.field for choice in choices}
    made = {MADE_IDS.get(table)}
    return sum(c.score for c in choices if c.field not in made) - 1.5 * len(lacks)


@dataclass(frozen=True)
class WrittenMap:
    """A map as TOML, and what a person should know of it in a few lines."""

    toml: str
    summary: str


def propose_map(exports: Sequence[str]) -> WrittenMap:
    """Read exports and propose a map for them.

    Raises
    ------
    CannotRun
        An export cannot be read, or nothing in them looks like a table of the log.
    """
    from analysis.intake.map_text import map_toml, map_words
    from analysis.intake.sources import raw_tables

    found = proposals(raw_tables(exports).tables)
    if not any(one.table for one in found):
        seen = "; ".join(f"{one.file} ({', '.join(one.unmapped[:5])} …)" for one in found[:4])
        raise CannotRun(
            "the exports", f"nothing looks like a table of the log: {seen}", "bleeds or returns", "see: rebleed fields"
        )
    return WrittenMap(map_toml(found), map_words(found))
