"""A map proposed for foreign exports: by what headings say and by what the columns hold, each with its reason and doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.errors import UserError
from analysis.intake.convert.date_order import Order, file_date_order
from analysis.intake.convert.numbers import decimal_mark
from analysis.intake.mapping.table_map import FIELDS, GENERATED_IDS, required_fields
from analysis.intake.propose.assignment import RefusedMatch, assign
from analysis.intake.propose.column_match import ColumnMatch
from analysis.intake.propose.column_profile import column_profile
from analysis.intake.propose.headings import Heading, headings
from analysis.intake.propose.mapping_warnings import DAYS
from analysis.intake.readers.raw_table import RawTable

FEW_FIELDS = 8
"""Below so many fields, and less than half of the headings, a file is too little understood to be sure of its table."""


@dataclass(frozen=True)
class Proposal:
    """What one file seems to be."""

    file: str
    table: str | None
    choices: tuple[ColumnMatch, ...]
    unmapped: tuple[str, ...]
    lacks: tuple[str, ...]
    decimal: str
    thousands: str
    date_order: Order | None
    date_doubt: str | None
    missing: tuple[str, ...]
    refused: tuple[RefusedMatch, ...] = ()


def proposals(raws: Sequence[RawTable]) -> list[Proposal]:
    """A proposal for every file; the table is None where it looks like nothing of the log.

    Parameters
    ----------
    raws
        Files as they stand.
    """
    return [_propose(raw) for raw in raws]


def _propose(raw: RawTable) -> Proposal:
    decimal = decimal_mark(raw.cells)
    profiles = [column_profile(heading, raw.cells.get_column(heading), decimal) for heading in raw.headings]
    spoken = headings(raw.headings)
    assignments = {table: assign(table, spoken, profiles) for table in FIELDS}
    table = max(assignments, key=lambda name: _value(name, assignments[name].choices))
    choices = assignments[table].choices
    lacks = tuple(n for n in required_fields(table) if n not in {c.field for c in choices})
    if (
        len(choices) < 2
        or not _is_return_table(table, choices, spoken)
        or len(lacks) > len(required_fields(table)) / 2
        or _value(table, choices) <= 0
    ):
        return Proposal(raw.file, None, (), tuple(raw.headings), (), decimal, "", None, None, ())
    used = {choice.heading for choice in choices}
    used_profiles = [one for one in profiles if one.heading in used]
    days = file_date_order(raw.cells.select(c.heading for c in choices if FIELDS[table][c.field].type in DAYS))
    missing = tuple(dict.fromkeys(word for one in used_profiles for word in one.missing))
    rest = tuple(heading for heading in raw.headings if heading not in used)
    doubt = _doubt_of_the_table(table, len(choices), len(raw.headings), lacks)
    matches = tuple(replace(choice, doubts=(*choice.doubts, *doubt)) for choice in choices)
    refused = assignments[table].refused
    return Proposal(raw.file, table, matches, rest, lacks, decimal, "", days.order, days.example, missing, refused)


def _doubt_of_the_table(table: str, mapped: int, headings_: int, lacks: tuple[str, ...]) -> list[str]:
    """Where little of a file is understood it may be another table, or none of the log."""
    if mapped >= FEW_FIELDS:
        return []
    if lacks:
        return [f"no heading was found for {', '.join(lacks)}: is this a table of {table}?"]
    if 2 * mapped < headings_:
        return [f"only {mapped} of {headings_} headings are understood: is this a table of {table}?"]
    return []


def _is_return_table(table: str, choices: tuple[ColumnMatch, ...], headings: list[Heading]) -> bool:
    """A bike and a day alone are no return: they stand in an invoice too."""
    if table != "comebacks" or {"comeback_id", "session_id", "complaint", "finding"} & {c.field for c in choices}:
        return True
    day = next((choice.heading for choice in choices if choice.field == "returned_at"), None)
    return any("return" in sense for heading in headings if heading.text == day for sense in heading.senses)


def _value(table: str, choices: tuple[ColumnMatch, ...]) -> float:
    lacks = set(required_fields(table)) - {choice.field for choice in choices}
    generated = {GENERATED_IDS.get(table)}
    return sum(c.score for c in choices if c.field not in generated) - 1.5 * len(lacks)


@dataclass(frozen=True)
class ProposedMap:
    """A map as TOML, and what a person should know of it in a few lines."""

    toml: str
    summary: str


def propose_map(exports: Sequence[str]) -> ProposedMap:
    """Read exports and propose a map for them.

    Raises
    ------
    UserError
        An export cannot be read, or nothing in them looks like a table of the log.
    """
    from analysis.intake.propose.map_text import map_summary, map_toml
    from analysis.intake.readers.sources import raw_tables

    found_proposals = proposals(raw_tables(exports).tables)
    if not any(one.table for one in found_proposals):
        files_seen = "; ".join(f"{one.file} ({', '.join(one.unmapped[:5])} …)" for one in found_proposals[:4])
        raise UserError(
            "the exports",
            f"nothing looks like a table of the log: {files_seen}",
            "bleeds or returns",
            "see: rebleed fields",
        )
    return ProposedMap(map_toml(found_proposals), map_summary(found_proposals))
