"""A map proposed for foreign exports: by what headings say and by what the columns hold, each with its reason and doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.errors import CannotRun
from analysis.intake.assignment import Refused, assigned
from analysis.intake.choices import Choice
from analysis.intake.day_order import Order
from analysis.intake.doubts import DAYS
from analysis.intake.file_marks import date_order, decimal_mark
from analysis.intake.heading_sense import Heading, headings
from analysis.intake.holdings import holding
from analysis.intake.raw import RawTable
from analysis.intake.table_map import FIELDS, MADE_IDS, required_fields

FEW_FIELDS = 8
"""Below so many fields, and less than half of the headings, a file is too little understood to be sure of its table."""


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
    refused: tuple[Refused, ...] = ()


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
    found = {table: assigned(table, spoken, held) for table in FIELDS}
    table = max(found, key=lambda name: _worth(name, found[name].choices))
    choices = found[table].choices
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
    days = date_order(raw.cells.select(c.heading for c in choices if FIELDS[table][c.field].type in DAYS))
    missing = tuple(dict.fromkeys(word for one in mine for word in one.missing))
    rest = tuple(heading for heading in raw.headings if heading not in used)
    doubt = _doubt_of_the_table(table, len(choices), len(raw.headings), lacks)
    told = tuple(replace(choice, doubts=(*choice.doubts, *doubt)) for choice in choices)
    refused = found[table].refused
    return Proposal(raw.file, table, told, rest, lacks, decimal, "", days.order, days.doubt, missing, refused)


def _doubt_of_the_table(table: str, mapped: int, headings_: int, lacks: tuple[str, ...]) -> list[str]:
    """Where little of a file is understood it may be another table, or none of the log."""
    if mapped >= FEW_FIELDS:
        return []
    if lacks:
        return [f"no heading was found for {', '.join(lacks)}: is this a table of {table}?"]
    if 2 * mapped < headings_:
        return [f"only {mapped} of {headings_} headings are understood: is this a table of {table}?"]
    return []


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
