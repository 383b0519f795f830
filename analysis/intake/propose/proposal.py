"""What is proposed for one file, as a map in TOML and as a few lines for the terminal."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from analysis.intake.convert.dates import Order
from analysis.intake.mapping.table_map import FIELDS, ColumnMap, OwnColumn, TableMap
from analysis.intake.propose.assignment import ColumnMatch, RefusedMatch
from analysis.intake.propose.vocabulary import is_out_of_scope

CHECK = "CHECK"
"""Marks a line of a proposed map that a person should check."""
MAX_UNKNOWN = 60
"""Unknown words of a field that are listed."""


@dataclass(frozen=True)
class Proposal:
    """The table that a file seems to be and a heading for each of its fields; `table` is None if it resembles none.

    `lacks` are required fields without a heading; `date_doubt` is a heading and a date that may be day- or month-first.
    With `in_bleed_rows` it is for the returns in the rows of a table of bleeds. `notes` are questions about the file.
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
    in_bleed_rows: bool = False
    rows: int = 0
    notes: tuple[str, ...] = ()

    def table_map(self) -> TableMap:
        """The map as it is applied to the file."""
        return TableMap(
            table=self.table or "",
            columns=tuple(ColumnMap(one.field, one.heading, one.unit) for one in self.choices if not one.is_own),
            values={one.field: one.values for one in self.choices if one.values},
            own=tuple(
                OwnColumn(one.field.removeprefix("own."), one.heading, "true/false")
                for one in self.choices
                if one.is_own
            ),
            decimal=self.decimal,
            thousands=self.thousands,
            date_order=self.date_order,
            missing=self.missing,
            in_bleed_rows=self.in_bleed_rows,
        )


@dataclass(frozen=True, repr=False)
class ProposedMap:
    """A map as TOML, and a summary of it for the terminal."""

    toml: str
    summary: str

    def __repr__(self) -> str:
        return (
            f"Proposed map of {len(self.toml.splitlines())} lines: print(….toml) shows it, read_log(exports, …) uses it"
        )


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
        place = ", returns in the rows of its bleeds" if one.in_bleed_rows else ""
        lines += ["", f"# {_one_line_text(names[one.file])}{place}", *_section_lines(one, sections[one.table] > 1)]
    for one in proposed:
        if one.table is None:
            lines += ["", f"# {_one_line_text(names[one.file])}: not recognised as a table of the log"]
    return "\n".join(lines) + "\n"


def map_summary(proposed: Sequence[Proposal]) -> str:
    """The proposals in a few lines for the terminal."""
    lines = []
    for one in proposed:
        if one.table is None:
            lines.append(f"{one.file}: not recognised as a table of the log")
            continue
        if one.in_bleed_rows:
            own = ", ".join(repr(choice.heading) for choice in one.choices if choice.doubtful)
            lines.append(f"  returns in the rows of bleeds, please check: {own}")
            continue
        unused = len(one.unmapped)
        rest = f"{unused} heading{'s' * (unused != 1)} not used" if unused else "all headings matched"
        lines.append(f"{one.file}: {one.table}, {len(one.choices)} fields matched, {rest}")
        doubtful = [choice.field for choice in one.choices if choice.doubtful]
        if one.lacks:
            lines.append(f"  required, but no heading found: {', '.join(one.lacks)}")
        lines += [f"  {_one_line_text(note)}" for note in one.notes]
        if doubtful:
            lines.append(f"  please check: {', '.join(doubtful)}")
        if one.date_doubt:
            lines.append(
                f"  unclear whether dates are day-first or month-first ({_one_line_text(one.date_doubt)}); day-first is proposed"
            )
    return "\n".join(lines)


def _short_names(files: Sequence[str]) -> dict[str, str]:
    """Files by their last name, or in full where two have the same: the map may be read in another folder."""
    names = {file: PurePath(file).name for file in files}
    counts = Counter(names.values())
    return {file: name if counts[name] == 1 else file for file, name in names.items()}


def _section_lines(proposal: Proposal, several: bool) -> list[str]:
    table = proposal.table or ""
    lines = [f"[[{table}]]" if several else f"[{table}]", *_reading_lines(proposal)]
    lines += [f"# {CHECK}: no heading found for {field}, which is required" for field in proposal.lacks]
    lines += [f"# {CHECK}: {_one_line_text(note)}" for note in proposal.notes]
    columns = [choice for choice in proposal.choices if not choice.is_own]
    lines += ["", f"[{table}.columns]", *(_column_line(choice) for choice in columns)]
    for choice in proposal.choices:
        if choice.is_own:
            lines += ["", f"[{table}.{choice.field}]", _heading_line(choice), 'type = "true/false"']
        if choice.values or choice.unknown_words:
            lines += ["", *_values_section(table, choice)]
    if proposal.refused:
        lines += ["", "# Not proposed:"]
        lines += [
            f"#   {_toml_text(one.heading)} for {one.field}: {_one_line_text(one.reason)}" for one in proposal.refused
        ]
    if proposal.unmapped:
        lines += ["", "# Headings not used: " + ", ".join(map(_toml_text, proposal.unmapped))]
    return lines


def _reading_lines(proposal: Proposal) -> Iterator[str]:
    """How the cells of the file are read."""
    if proposal.in_bleed_rows:
        yield "in_bleed_rows = true"
    if proposal.decimal != ".":
        yield f"decimal = {_toml_text(proposal.decimal)}"
    if proposal.thousands:
        yield f"thousands = {_toml_text(proposal.thousands)}"
    if proposal.date_order:
        doubt = f"  # {CHECK}: unclear whether day-first or month-first ({_one_line_text(proposal.date_doubt)})"
        yield f"date_order = {_toml_text(proposal.date_order)}{doubt if proposal.date_doubt else ''}"
    if proposal.missing:
        yield f"missing = [{', '.join(map(_toml_text, proposal.missing))}]"


def _column_line(choice: ColumnMatch) -> str:
    heading = _toml_text(choice.heading)
    value = f"{{ heading = {heading}, unit = {_toml_text(choice.unit)} }}" if choice.unit else heading
    return f"{choice.field} = {value}{_doubt_comment(choice)}"


def _heading_line(choice: ColumnMatch) -> str:
    return f"heading = {_toml_text(choice.heading)}{_doubt_comment(choice)}"


def _doubt_comment(choice: ColumnMatch) -> str:
    if not choice.doubtful:
        return ""
    reasons = [_one_line_text("; ".join(choice.doubts))]
    if choice.heading_score > 0:  # else no field was matched: the only date column left, or a return
        reasons.append(f"heading match {choice.heading_score:.0%}, contents match {choice.value_score:.0%}")
    if choice.runners_up:
        reasons.append(f"next best: {', '.join(map(_toml_text, choice.runners_up))}")
    return f"  # {CHECK}: {'; '.join(reasons)}"


def _values_section(table: str, choice: ColumnMatch) -> list[str]:
    field = _toml_text(choice.field) if choice.is_own else choice.field
    lines = [f"[{table}.values.{field}]"]
    for level, words in choice.values.items():
        key = level if level.isidentifier() else _toml_text(level)
        lines.append(f"{key} = [{', '.join(map(_toml_text, words))}]")
    return [*lines, *_unknown_word_lines(table, choice)]


def _unknown_word_lines(table: str, choice: ColumnMatch) -> Iterator[str]:
    """Every word that means no level, with its number of cells, to be written into the list of one."""
    outside = [pair for pair in choice.unknown_words if choice.field == "brake" and is_out_of_scope(pair[0])]
    if outside:
        yield f"# Out of scope, their rows are rejected: {', '.join(map(_word_with_count, outside))}"
    unknown = [pair for pair in choice.unknown_words if pair not in outside]
    if unknown:
        entry = FIELDS[table].get(choice.field)
        levels = (entry.levels if entry else ()) or ("true", "false")
        yield f"# {CHECK}: words not recognised; add each word to the list it belongs in: {', '.join(levels)}"
        yield from (f"#   {_word_with_count(pair)}" for pair in unknown[:MAX_UNKNOWN])
        rest = unknown[MAX_UNKNOWN:]
        if rest:
            yield f"#   and {len(rest):,} more words in {sum(count for _, count in rest):,} cells"


def _word_with_count(pair: tuple[str, int]) -> str:
    word, count = pair
    return f"{_toml_text(word)} ({count:,} {'cell' if count == 1 else 'cells'})"


def _toml_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _one_line_text(text: str | None) -> str:
    """Text for a comment: on one line, without control characters."""
    return "".join(letter if letter.isprintable() else " " for letter in text or "")
