"""Propose a map for exports with other headings, from the words of the headings and the contents of the columns."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from os import PathLike, fspath
from pathlib import PurePath

from analysis.errors import UserError
from analysis.intake.convert.date_order import Order, file_date_order
from analysis.intake.convert.numbers import decimal_mark
from analysis.intake.mapping.table_map import FIELDS, GENERATED_IDS, required_fields
from analysis.intake.propose.assignment import ColumnMatch, RefusedMatch, assign
from analysis.intake.propose.column_profile import column_profile
from analysis.intake.propose.headings import Heading, headings
from analysis.intake.propose.mapping_warnings import DATES
from analysis.intake.readers.raw_table import RawTable
from analysis.intake.readers.sources import raw_tables

MIN_FIELDS = 8
"""With fewer fields matched, and less than half of the headings, the table of a file is in doubt."""
CHECK = "CHECK"
"""Marks a line of a proposed map that a person should check."""


@dataclass(frozen=True)
class Proposal:
    """The table that a file seems to be and a heading for each of its fields; `table` is None if it resembles none.

    `lacks` are required fields without a heading; `date_doubt` is a heading and a date that may be day- or month-first.
    """

    file: str
    table: str | None
    choices: tuple[ColumnMatch, ...] = ()
    unmapped: tuple[str, ...] = ()
    lacks: tuple[str, ...] = ()
    decimal: str = "."
    thousands: str = ""
    date_order: Order | None = None
    date_doubt: str | None = None
    missing: tuple[str, ...] = ()
    refused: tuple[RefusedMatch, ...] = ()


@dataclass(frozen=True, repr=False)
class ProposedMap:
    """A map as TOML, and a summary of it for the terminal."""

    toml: str
    summary: str

    def __repr__(self) -> str:
        return (
            f"Proposed map of {len(self.toml.splitlines())} lines: print(….toml) shows it, read_log(exports, …) uses it"
        )


def propose_map(exports: str | PathLike[str] | Sequence[str | PathLike[str]]) -> ProposedMap:
    """Read exports and propose a map for them.

    Parameters
    ----------
    exports
        One or a list of files, folders and database addresses.

    Raises
    ------
    UserError
        An export cannot be read, or nothing in them resembles a table of the log.
    """
    several = [exports] if isinstance(exports, str | PathLike) else exports
    proposed = proposals(raw_tables([fspath(one) for one in several]).tables)
    if not any(one.table for one in proposed):
        files = "; ".join(f"{one.file} ({', '.join(one.unmapped[:5])} …)" for one in proposed[:4])
        raise UserError(
            "the exports",
            f"no bleeds or returns found in {'this file' if len(proposed) == 1 else 'these files'}: {files}",
            "a table of bleeds or returns",
            "rebleed fields lists what a table may contain",
        )
    return ProposedMap(map_toml(proposed), map_summary(proposed))


def proposals(tables: Sequence[RawTable]) -> list[Proposal]:
    """A proposal for each file, in the same order."""
    return [_propose(raw) for raw in tables]


def _propose(raw: RawTable) -> Proposal:
    decimal = decimal_mark(raw.cells)
    profiles = [column_profile(heading, raw.cells.get_column(heading), decimal) for heading in raw.headings]
    file_headings = headings(raw.headings)
    assignments = {table: assign(table, file_headings, profiles) for table in FIELDS}
    table = max(assignments, key=lambda name: _table_score(name, assignments[name].choices))
    choices = assignments[table].choices
    lacks = tuple(name for name in required_fields(table) if name not in {choice.field for choice in choices})
    if (
        len(choices) < 2
        or not _may_be_returns(table, choices, file_headings)
        or len(lacks) > len(required_fields(table)) / 2
        or _table_score(table, choices) <= 0
    ):
        return Proposal(raw.file, None, unmapped=tuple(raw.headings), decimal=decimal)
    used = {choice.heading for choice in choices}
    dates = file_date_order(raw.cells.select(c.heading for c in choices if FIELDS[table][c.field].type in DATES))
    doubts = _table_doubts(table, len(choices), len(raw.headings), lacks)
    return Proposal(
        file=raw.file,
        table=table,
        choices=tuple(replace(choice, doubts=(*choice.doubts, *doubts)) for choice in choices),
        unmapped=tuple(heading for heading in raw.headings if heading not in used),
        lacks=lacks,
        decimal=decimal,
        date_order=dates.order,
        date_doubt=dates.example,
        missing=tuple(dict.fromkeys(word for one in profiles if one.heading in used for word in one.missing)),
        refused=assignments[table].refused,
    )


def _table_doubts(table: str, matched: int, n_headings: int, lacks: tuple[str, ...]) -> list[str]:
    """Doubt about the table itself: with few headings matched the file may be another table, or none of the log."""
    if matched >= MIN_FIELDS:
        return []
    if lacks:
        return [f"no heading found for {', '.join(lacks)}: is this a table of {table}?"]
    if 2 * matched < n_headings:
        return [f"only {matched} of {n_headings} headings matched: is this a table of {table}?"]
    return []


def _may_be_returns(table: str, choices: tuple[ColumnMatch, ...], file_headings: list[Heading]) -> bool:
    """A bike and a date alone are not a return: an invoice has them too."""
    if table != "comebacks" or {"comeback_id", "session_id", "complaint", "finding"} & {c.field for c in choices}:
        return True
    date = next((choice.heading for choice in choices if choice.field == "returned_at"), None)
    return any("return" in sense for heading in file_headings if heading.text == date for sense in heading.senses)


def _table_score(table: str, choices: tuple[ColumnMatch, ...]) -> float:
    lacks = set(required_fields(table)) - {choice.field for choice in choices}
    generated = GENERATED_IDS.get(table)
    return sum(choice.score for choice in choices if choice.field != generated) - 1.5 * len(lacks)


def map_toml(proposed: Sequence[Proposal]) -> str:
    """The proposals as one map; a table that occurs in several files has one section per file."""
    recognised = [one for one in proposed if one.table is not None]
    sections = Counter(one.table for one in recognised)
    names = _short_names([one.file for one in proposed])
    lines = [
        "# A proposed map: which heading of the export is which field. Check and correct it, then pass it with --map.",
        f"# Lines marked {CHECK} need checking; the reason is given. Delete a line to leave its field out.",
    ]
    for one in recognised:
        lines += ["", f"# {_comment(names[one.file])}", *_section(one, sections[one.table] > 1)]
    for one in proposed:
        if one.table is None:
            lines += ["", f"# {_comment(names[one.file])}: not recognised as a table of the log"]
    return "\n".join(lines) + "\n"


def map_summary(proposed: Sequence[Proposal]) -> str:
    """The proposals in a few lines for the terminal."""
    lines = []
    for one in proposed:
        if one.table is None:
            lines.append(f"{one.file}: not recognised as a table of the log")
            continue
        unused = len(one.unmapped)
        rest = f"{unused} heading{'s' * (unused != 1)} not used" if unused else "all headings matched"
        lines.append(f"{one.file}: {one.table}, {len(one.choices)} fields matched, {rest}")
        doubtful = [choice.field for choice in one.choices if choice.doubtful]
        if one.lacks:
            lines.append(f"  required, but no heading found: {', '.join(one.lacks)}")
        if doubtful:
            lines.append(f"  please check: {', '.join(doubtful)}")
        if one.date_doubt:
            lines.append(
                f"  unclear whether dates are day-first or month-first ({_comment(one.date_doubt)}); day-first is proposed"
            )
    return "\n".join(lines)


def _short_names(files: Sequence[str]) -> dict[str, str]:
    """Files by their last name, or in full where two have the same: the map may be read in another folder."""
    names = {file: PurePath(file).name for file in files}
    counts = Counter(names.values())
    return {file: name if counts[name] == 1 else file for file, name in names.items()}


def _section(proposal: Proposal, several: bool) -> list[str]:
    table = proposal.table or ""
    lines = [f"[[{table}]]" if several else f"[{table}]"]
    if proposal.decimal != ".":
        lines.append(f"decimal = {_quoted(proposal.decimal)}")
    if proposal.thousands:
        lines.append(f"thousands = {_quoted(proposal.thousands)}")
    if proposal.date_order:
        doubt = f"  # {CHECK}: unclear whether day-first or month-first ({_comment(proposal.date_doubt)})"
        lines.append(f"date_order = {_quoted(proposal.date_order)}{doubt if proposal.date_doubt else ''}")
    if proposal.missing:
        lines.append(f"missing = [{', '.join(map(_quoted, proposal.missing))}]")
    lines += [f"# {CHECK}: no heading found for {field}, which is required" for field in proposal.lacks]
    lines += ["", f"[{table}.columns]", *(_column_line(choice) for choice in proposal.choices)]
    for choice in proposal.choices:
        if choice.values or choice.unknown_words:
            lines += ["", *_values_section(table, choice)]
    if proposal.refused:
        lines += ["", "# Not proposed:"]
        lines += [f"#   {_quoted(one.heading)} for {one.field}: {_comment(one.reason)}" for one in proposal.refused]
    if proposal.unmapped:
        lines += ["", "# Headings not used: " + ", ".join(map(_quoted, proposal.unmapped))]
    return lines


def _column_line(choice: ColumnMatch) -> str:
    heading = _quoted(choice.heading)
    value = f"{{ heading = {heading}, unit = {_quoted(choice.unit)} }}" if choice.unit else heading
    if not choice.doubtful:
        return f"{choice.field} = {value}"
    reasons = [_comment("; ".join(choice.doubts))]
    if choice.heading_score > 0:  # else nothing matched: the only date column left
        reasons.append(f"heading match {choice.heading_score:.0%}, contents match {choice.value_score:.0%}")
    if choice.runners_up:
        reasons.append(f"next best: {', '.join(map(_quoted, choice.runners_up))}")
    return f"{choice.field} = {value}  # {CHECK}: {'; '.join(reasons)}"


def _values_section(table: str, choice: ColumnMatch) -> list[str]:
    lines = [f"[{table}.values.{choice.field}]"]
    for level, words in choice.values.items():
        key = level if level.isidentifier() else _quoted(level)
        lines.append(f"{key} = [{', '.join(map(_quoted, words))}]")
    if choice.unknown_words:
        levels = FIELDS[table][choice.field].levels or ("true", "false")
        unknown = ", ".join(map(_quoted, choice.unknown_words))
        lines.append(f"# {CHECK}: unknown words: {unknown}; add each to the list of one of: {', '.join(levels)}")
    return lines


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str | None) -> str:
    """Text for a comment: on one line, without control characters."""
    return "".join(letter if letter.isprintable() else " " for letter in text or "")
