"""Find the columns of a table of bleeds in which the workshop wrote that the bike came back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field

import polars as pl

from analysis.intake.convert.cleaned_text import FALSE, normalise_level, tokens
from analysis.intake.convert.dates import parse_datetimes
from analysis.intake.convert.numbers import unit_for
from analysis.intake.mapping.table_map import FIELDS, RETURN_COSTS
from analysis.intake.propose.assignment import MAX_WORDS, ColumnMatch, RefusedMatch
from analysis.intake.propose.column_profile import ColumnProfile, level_share, likely_unit, word_levels
from analysis.intake.propose.headings import Heading
from analysis.intake.propose.vocabulary import field_vocabularies
from schemas import Entry

CAME_BACK = "own.came_back"
"""The field of a column of yes and no, which the log does not have."""
MAX_SHARE = 0.5
"""Where more rows are filled, the column is the day of handing over rather than of a return (common practice, no source)."""
_MIN_SURE, _MIN_DATES, _MIN_NUMBERS = 0.6, 0.8, 0.8
_REASONS = {"reason", "complaint", "symptom", "cause", "finding"}
_PARTS, _WORK = {"part", "cost", "material"}, {"minutes", "duration", "time", "work"}
"""What a return took: *Parts for come-back*, *Return time*."""
_ALLOWED = {
    "return", "back", "date", "number", "which", "count", "customer", "job", "bleed", "shop", *_REASONS, *_PARTS, *_WORK,
}  # fmt: skip
_ORDINALS = {"1st": 1, "first": 1, "2nd": 2, "second": 2, "3rd": 3, "third": 3, "4th": 4, "fourth": 4}
_YES_NO = Entry("comebacks", "came_back", "", "true/false", "", "", "", "", False, None, None, (), "")


@dataclass(frozen=True)
class ReturnColumns:
    """The returns that a row of bleeds can hold, the lines of the map for each; and columns that only look so.

    `headings` are no columns of a bleed; a reason filled in most rows may be one, the reason for the job.
    """

    returns: tuple[tuple[ColumnMatch, ...], ...] = ()
    refused: tuple[RefusedMatch, ...] = ()
    headings: frozenset[str] = frozenset()


@dataclass(frozen=True)
class _ReturnColumn:
    """A column of returns: the field it is, how many rows have a return, its words by level, those not known, its unit."""

    field: str
    heading: str
    rows: int
    values: dict[str, tuple[str, ...]] = dataclass_field(default_factory=dict)
    unknown_words: tuple[tuple[str, int], ...] = ()
    unit: str | None = None


def is_return_heading(heading: Heading) -> bool:
    """Whether a heading names a return and nothing else, such as *Came back on*, *Why back*, *2nd call-back*."""
    sure = _sure_concepts(heading)
    concepts = {concept for one in sure for concept in one}
    names_more = bool(concepts & (_REASONS | _PARTS)) or heading.unit is not None
    names_return = "return" in concepts or ("back" in concepts and names_more)
    return names_return and all(not one or one & _ALLOWED for one in sure)


def _is_reason(heading: Heading) -> bool:
    """Whether a heading after a column of returns is its reason: *Why*, *Complaint*, *Why (2nd)*."""
    sure = _sure_concepts(heading)
    return bool(sure) and all(one & _REASONS for one in sure)


def _sure_concepts(heading: Heading) -> list[set[str]]:
    """The likely concepts of each word of a heading, without ordinals."""
    pairs = zip(heading.words, heading.senses, strict=True)
    senses = [sense for word, sense in pairs if word not in _ORDINALS and not word.isdigit()]
    return [{concept for concept, certainty in sense.items() if certainty >= _MIN_SURE} for sense in senses]


def return_columns(headings: Sequence[Heading], profiles: Sequence[ColumnProfile]) -> ReturnColumns:
    """The columns of returns, grouped: a second date, or a heading with *2nd*, begins the next return of the row."""
    groups: list[list[_ReturnColumn]] = []
    refused: list[RefusedMatch] = []
    names: list[str] = []
    reasons_of_jobs: set[str] = set()
    previous = ""
    for heading, profile in zip(headings, profiles, strict=True):
        belongs = is_return_heading(heading) or (bool(names) and names[-1] == previous and _is_reason(heading))
        previous = heading.text
        column = _read_return_column(heading, profile) if belongs else None
        if column is None or (column.field in RETURN_COSTS and column.rows > MAX_SHARE * profile.rows):
            continue
        names.append(heading.text)
        if column.rows > MAX_SHARE * profile.rows:
            if column.field in ("complaint", "finding"):
                reasons_of_jobs.add(heading.text)
                question = "A return would have a date. Is this the reason for the job?"
            else:
                question = "Is it the day the bike was handed over?"
            reason = f"filled in {column.rows:,} of {profile.rows:,} rows. {question}"
            refused.append(RefusedMatch(column.field.removeprefix("own."), heading.text, reason))
        else:
            _add_to_group(groups, column, _read_ordinal(heading.text))
    returns = (group for group in groups if any(column.field not in RETURN_COSTS for column in group))
    lines = tuple(_return_matches(group, profiles[0].rows) for group in returns)
    return ReturnColumns(lines, tuple(refused), frozenset(names) - reasons_of_jobs)


def _add_to_group(groups: list[list[_ReturnColumn]], column: _ReturnColumn, ordinal: int | None) -> None:
    place = len(groups) - 1 if ordinal is None else min(ordinal - 1, len(groups))
    if not 0 <= place < len(groups) or column.field in {one.field for one in groups[place]}:
        groups.append([column])
    else:
        groups[place].append(column)


def _read_ordinal(heading: str) -> int | None:
    words = tokens(heading)
    return next((_ORDINALS[word] for word in words if word in _ORDINALS), None) or next(
        (int(word) for word in words if re.fullmatch(r"[1-9]", word)), None
    )


def _read_return_column(heading: Heading, profile: ColumnProfile) -> _ReturnColumn | None:
    """What a column of returns holds: days, yes and no, or reasons; None for something else."""
    no_words = [word for word in profile.counts if normalise_level(word) in FALSE]
    counts = {word: count for word, count in profile.counts.items() if word not in no_words}
    rows = sum(counts.values())
    if not counts:
        return _ReturnColumn(CAME_BACK, heading.text, 0) if no_words else None
    dates = parse_datetimes(pl.Series(list(counts)[:500], dtype=pl.String), None).local_time
    if dates.count() >= _MIN_DATES * len(dates):
        return _ReturnColumn("returned_at", heading.text, rows)
    figure = _figure_field(heading)
    if figure is not None and profile.numeric_share >= _MIN_NUMBERS:
        return _read_figures(figure, heading, profile)
    levels = word_levels(tuple(counts), _YES_NO)
    if all(word in levels or re.fullmatch(r"[1-9]", word) for word in counts):
        yes = tuple(
            word for word in counts if levels.get(word) != "false" and word.casefold() not in ("yes", "true", "1")
        )
        no = tuple(word for word in counts if levels.get(word) == "false")
        rows -= sum(counts[word] for word in no)
        return _ReturnColumn(
            CAME_BACK, heading.text, rows, {"true": yes, "false": no} if no else {"true": yes} if yes else {}
        )
    if figure is not None:  # a time of day, say
        return None
    name = max(("complaint", "finding"), key=lambda one: level_share(profile, FIELDS["comebacks"][one]))
    levels_of = word_levels(tuple(counts)[:MAX_WORDS], FIELDS["comebacks"][name])
    own = {normalise_level(level) for level in FIELDS["comebacks"][name].levels}
    values: dict[str, tuple[str, ...]] = {}
    for word, level in levels_of.items():
        if normalise_level(word) not in own:
            values[level] = (*values.get(level, ()), word)
    unknown = tuple((word, count) for word, count in counts.items() if word not in levels_of)
    return _ReturnColumn(name, heading.text, rows, values, unknown)


def _figure_field(heading: Heading) -> str | None:
    """The field of what a return took that a heading names; None if it names none."""
    concepts = {concept for one in _sure_concepts(heading) for concept in one}
    is_time = heading.unit is not None and unit_for(heading.unit, FIELDS["comebacks"]["minutes"].unit) is not None
    return "parts_cost" if concepts & _PARTS else "minutes" if is_time or concepts & _WORK else None


def _read_figures(field: str, heading: Heading, profile: ColumnProfile) -> _ReturnColumn:
    """A column of what a return took."""
    rows = profile.numbers.filter(profile.numbers != 0).count()
    unit = likely_unit(
        profile, FIELDS["comebacks"][field], field_vocabularies()["comebacks"][field].usual, heading.unit
    )
    return _ReturnColumn(field, heading.text, rows, unit=unit)


def _return_matches(group: list[_ReturnColumn], total: int) -> tuple[ColumnMatch, ...]:
    """The lines of the map for one return of a row, each with the question it asks."""
    questions = {
        "returned_at": "is it the day the bike came back after this bleed?",
        CAME_BACK: "does yes mean that the bike came back after this bleed?",
        "minutes": "is it the bench time of the return?",
        "parts_cost": "is it what the parts of the return cost?",
    }
    return tuple(
        ColumnMatch(
            field=column.field,
            heading=column.heading,
            score=1.0,
            heading_score=0.0,
            value_score=1.0,
            values=column.values,
            unknown_words=column.unknown_words,
            unit=column.unit,
            doubts=(
                f"{'filled' if column.field in RETURN_COSTS else 'returns'} in {column.rows:,} of {total:,} rows; "
                + questions.get(column.field, "is it why the bike came back after this bleed?"),
            ),
        )
        for column in group
    )
