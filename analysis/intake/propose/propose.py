"""Propose a map for exports with other headings, from the words of the headings and the contents of the columns."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike, fspath

import polars as pl

from analysis.errors import UserError
from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.convert.columns import convert
from analysis.intake.convert.dates import file_date_order
from analysis.intake.convert.numbers import decimal_mark
from analysis.intake.mapping.table_map import FIELDS, GENERATED_IDS, required_fields
from analysis.intake.match_tables import shared_heading_notes
from analysis.intake.propose.assignment import Assignment, ColumnMatch, assign
from analysis.intake.propose.column_profile import ColumnProfile, column_profile, word_level
from analysis.intake.propose.headings import Heading, headings
from analysis.intake.propose.mapping_warnings import DATES
from analysis.intake.propose.proposal import Proposal, ProposedMap, map_summary, map_toml
from analysis.intake.propose.return_columns import ReturnColumns, return_columns
from analysis.intake.readers.raw_table import RawTable
from analysis.intake.readers.sources import raw_tables

MIN_FIELDS = 8
"""With fewer fields matched, and less than half of the headings, the table of a file is in doubt."""
UNIQUE_KEYS = {"technicians": "technician", "brakes": "brake_model"}
"""Tables with one row for each name, and the field of the name."""
MIN_UNIQUE = 0.8
"""Share of distinct names from which a file can be such a table (common practice, no source)."""
RECALL_FIELDS = ("hard_pull_firm", "leak_seen", "fluid_required", "fluid_used", "kit_fluid", "lever_travel_after_mm")
"""Fields by which a bike is recalled: always asked about."""
COUNTED_WITH = ("brake", "brake_model", "lever_travel_before_mm")
"""Fields that the rules compare them with."""
RecallCounts = Callable[[pl.DataFrame], Mapping[str, int]]
"""The number of bleeds that each field of a table of bleeds would recall."""


@dataclass(frozen=True)
class _ProfiledFile:
    """A file with what its headings mean and what its columns hold, and the columns of returns in it."""

    raw: RawTable
    decimal: str
    headings: list[Heading]
    profiles: list[ColumnProfile]
    returns: ReturnColumns

    def assign(self, table: str, agreed: Mapping[str, str]) -> Assignment:
        """Headings for the fields of a table; columns of returns are no columns of a bleed."""
        skip = self.returns.headings if table == "sessions" else frozenset[str]()
        pairs = [pair for pair in zip(self.headings, self.profiles, strict=True) if pair[0].text not in skip]
        fields = {heading: name for heading, name in agreed.items() if name in FIELDS[table]}
        return assign(table, [heading for heading, _ in pairs], [profile for _, profile in pairs], fields)


def propose_map(
    exports: str | PathLike[str] | Sequence[str | PathLike[str]], count_recalls: RecallCounts | None = None
) -> ProposedMap:
    """Read exports and propose a map for them.

    Parameters
    ----------
    exports
        A file, folder or database address, or a list of these.
    count_recalls
        A function that counts the bleeds each field would recall. None: the map's questions give no numbers.

    Raises
    ------
    UserError
        An export cannot be read, or nothing in them resembles a table of the log.
    """
    several = [exports] if isinstance(exports, str | PathLike) else exports
    proposed = proposals(raw_tables([fspath(one) for one in several]).tables, count_recalls)
    if not any(one.table for one in proposed):
        files = "; ".join(f"{one.file} ({', '.join(one.unmapped[:5])} …)" for one in proposed[:4])
        raise UserError(
            "the exports",
            f"no bleeds or returns found in {'this file' if len(proposed) == 1 else 'these files'}: {files}",
            "a table of bleeds or returns",
            "rebleed fields lists what a table may contain",
        )
    return ProposedMap(map_toml(proposed), map_summary(proposed))


def proposals(tables: Sequence[RawTable], count_recalls: RecallCounts | None = None) -> list[Proposal]:
    """A proposal for each file, in the same order, followed by those for returns in the rows of its bleeds.

    A heading of the largest table of bleeds means the same field in every other file.
    """
    sheets = [_profile_file(raw) for raw in tables]
    proposed = [_propose_table(sheet, {}) for sheet in sheets]
    bleeds = [one for one in proposed if one.table == "sessions"]
    if bleeds:
        largest = max(bleeds, key=lambda one: one.rows)
        agreed = {normalise(choice.heading): choice.field for choice in largest.choices}
        proposed = [
            one if one is largest else _propose_table(sheet, agreed)
            for one, sheet in zip(proposed, sheets, strict=True)
        ]
    complete = []
    for one, sheet in zip(proposed, sheets, strict=True):
        complete.append(_add_recall_questions(one, sheet, count_recalls) if one.table == "sessions" else one)
        if one.table == "sessions":
            complete += _propose_returns_in_rows(one, sheet)
    return complete


def _profile_file(raw: RawTable) -> _ProfiledFile:
    decimal = decimal_mark(raw.cells)
    profiles = [column_profile(heading, raw.cells.get_column(heading), decimal) for heading in raw.headings]
    file_headings = headings(raw.headings)
    return _ProfiledFile(raw, decimal, file_headings, profiles, return_columns(file_headings, profiles))


def _propose_table(sheet: _ProfiledFile, agreed: Mapping[str, str]) -> Proposal:
    raw = sheet.raw
    assignments = {table: sheet.assign(table, agreed) for table in FIELDS}
    possible = {name: one.choices for name, one in assignments.items() if _can_be_table(name, one.choices, sheet)}
    if "sessions" in possible and sheet.returns.returns:
        possible.pop("comebacks", None)  # each row is a bleed, with its returns
    table = max(possible, key=lambda name: _table_score(name, possible[name]), default="")
    choices = possible.get(table, ())
    if not choices:
        return Proposal(raw.file, None, unmapped=tuple(raw.headings), decimal=sheet.decimal, rows=raw.rows_read)
    lacks = _lacking_fields(table, choices)
    used = {choice.heading for choice in choices}
    returns = sheet.returns if table == "sessions" else ReturnColumns()
    in_rows = {choice.heading for one in returns.returns for choice in one}
    dates = file_date_order(raw.cells.select(c.heading for c in choices if FIELDS[table][c.field].type in DATES))
    doubts = _table_doubts(table, len(choices), len(raw.headings), lacks)
    proposal = Proposal(
        file=raw.file,
        table=table,
        choices=tuple(replace(choice, doubts=(*choice.doubts, *doubts)) for choice in choices),
        unmapped=tuple(heading for heading in raw.headings if heading not in used | in_rows),
        lacks=lacks,
        decimal=sheet.decimal,
        date_order=dates.order,
        date_doubt=dates.example,
        missing=tuple(dict.fromkeys(word for one in sheet.profiles if one.heading in used for word in one.missing)),
        refused=(*assignments[table].refused, *(one for one in returns.refused if one.heading not in used)),
        rows=raw.rows_read,
    )
    both = _both_brakes_question(sheet.headings) if "brake" in lacks else ()
    return replace(proposal, notes=(*both, *shared_heading_notes(raw.headings, proposal.table_map())))


def _both_brakes_question(file_headings: list[Heading]) -> tuple[str, ...]:
    """A question where headings come in pairs for front and rear: a row of such a file is a bike, not a bleed."""
    sides: dict[tuple[str, ...], dict[str, str]] = {}
    for heading in file_headings:
        of_word = {word: word_level(word, FIELDS["sessions"]["brake"]) for word in heading.words}
        rest = tuple(word for word, side in of_word.items() if side is None)
        for side in filter(None, of_word.values()):
            sides.setdefault(rest, {})[side] = heading.text
    pair = next((list(one.values()) for one in sides.values() if len(one) > 1), None)
    if pair is None:
        return ()
    return (
        f"{pair[0]!r} and {pair[1]!r}: does a row hold both brakes of a bike? Each bleed needs a row of its own, with a "
        "column that says front or rear: split the rows before the import",
    )


def _propose_returns_in_rows(bleeds: Proposal, sheet: _ProfiledFile) -> list[Proposal]:
    """A proposal for each return that a row of bleeds can hold; without a day of its own it has that of the bleed."""
    shared = [replace(one, doubts=()) for one in bleeds.choices if one.field in ("session_id", "bike_id", "brake")]
    start = next((one for one in bleeds.choices if one.field == "started_at"), None)
    sections = []
    for columns in sheet.returns.returns:
        own = list(columns)
        if start is not None and all(column.field != "returned_at" for column in own):
            question = "no column has the day of the return, so each counts on the day of its bleed; if there is one, name it here"
            own.append(replace(start, field="returned_at", doubts=(question,), heading_score=0.0))
        headings = tuple(column.heading for column in columns)
        missing = (word for one in sheet.profiles if one.heading in headings for word in one.missing)
        sections.append(
            replace(
                bleeds,
                table="comebacks",
                choices=(*shared, *own),
                unmapped=(),
                lacks=(),
                refused=(),
                notes=(),
                in_bleed_rows=True,
                missing=tuple(dict.fromkeys((*bleeds.missing, *missing))),
            )
        )
    return sections


def _add_recall_questions(bleeds: Proposal, sheet: _ProfiledFile, count_recalls: RecallCounts | None) -> Proposal:
    """The proposal with a question on every field that recalls bikes: how many bleeds it would recall."""
    recalling = [choice for choice in bleeds.choices if choice.field in RECALL_FIELDS]
    if not recalling:
        return bleeds
    counts: Mapping[str, int] = {}
    if count_recalls is not None:
        needed = tuple(choice for choice in bleeds.choices if choice in recalling or choice.field in COUNTED_WITH)
        rows = convert(sheet.raw, replace(bleeds, choices=needed).table_map()).frame
        counts = count_recalls(rows.filter(pl.col("brake").is_not_null()) if "brake" in rows.columns else rows)
    choices = [
        replace(choice, doubts=(*choice.doubts, _recall_question(choice, counts))) if choice in recalling else choice
        for choice in bleeds.choices
    ]
    return replace(bleeds, choices=tuple(choices))


def _recall_question(choice: ColumnMatch, counts: Mapping[str, int]) -> str:
    questions = {
        "hard_pull_firm": "is it the lever after the bleed, not as the bike came in?",
        "leak_seen": "is it a leak seen after the bleed, not as the bike came in?",
        "fluid_required": "is it the fluid the maker requires?",
        "fluid_used": "is it the new fluid, not what was drained?",
        "kit_fluid": "is it the fluid the kit is reserved for?",
        "lever_travel_after_mm": "is it the travel after the bleed, and is the unit right?",
    }
    n = counts.get(choice.field)
    recalls = "" if n is None else f"would recall {n:,} {'bleed' if n == 1 else 'bleeds'}; "
    return f"{recalls}{questions[choice.field]}"


def _lacking_fields(table: str, choices: tuple[ColumnMatch, ...]) -> tuple[str, ...]:
    return tuple(name for name in required_fields(table) if name not in {choice.field for choice in choices})


def _table_doubts(table: str, matched: int, n_headings: int, lacks: tuple[str, ...]) -> list[str]:
    """Doubt about the table itself: with few headings matched the file may be another table, or none of the log."""
    if matched >= MIN_FIELDS:
        return []
    if lacks:
        return [f"no heading found for {', '.join(lacks)}: is this a table of {table}?"]
    if 2 * matched < n_headings:
        return [f"only {matched} of {n_headings} headings matched: is this a table of {table}?"]
    return []


def _can_be_table(table: str, choices: tuple[ColumnMatch, ...], sheet: _ProfiledFile) -> bool:
    """Whether a file can be a table: enough of its fields, and for a list of names each name once."""
    if len(choices) < 2 or _table_score(table, choices) <= 0:
        return False
    if 2 * len(_lacking_fields(table, choices)) > len(required_fields(table)):
        return False
    key = next((choice.heading for choice in choices if choice.field == UNIQUE_KEYS.get(table)), None)
    profile = next((one for one in sheet.profiles if one.heading == key), None)
    return (profile is None or profile.distinct_share >= MIN_UNIQUE) and _can_be_returns(table, choices, sheet.headings)


def _can_be_returns(table: str, choices: tuple[ColumnMatch, ...], file_headings: list[Heading]) -> bool:
    """A bike and a date alone are not a return: an invoice has them too."""
    if table != "comebacks" or {"comeback_id", "session_id", "complaint", "finding"} & {c.field for c in choices}:
        return True
    date = next((choice.heading for choice in choices if choice.field == "returned_at"), None)
    return any("return" in sense for heading in file_headings if heading.text == date for sense in heading.senses)


def _table_score(table: str, choices: tuple[ColumnMatch, ...]) -> float:
    generated = GENERATED_IDS.get(table)
    return sum(choice.score for choice in choices if choice.field != generated) - 1.5 * len(
        _lacking_fields(table, choices)
    )
