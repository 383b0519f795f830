"""How a proposed map does on an invented sheet: lines right, wrong but marked, wrong and unmarked, and fields not found."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.intake import proposals
from analysis.intake.convert.cleaned_text import normalise_level
from analysis.intake.convert.units import unit_for
from analysis.intake.mapping.table_map import FIELDS
from analysis.intake.propose.propose import ColumnMatch
from analysis.intake.readers.sources import raw_tables
from tests.intake.invented_sheets import NOTHING, Invented, Written


@dataclass(frozen=True)
class Score:
    """Lines by what they are, each as `field = heading`."""

    right: tuple[str, ...]
    right_but_marked: tuple[str, ...]
    wrong_but_marked: tuple[str, ...]
    wrong_and_unmarked: tuple[str, ...]
    not_found: tuple[str, ...]


def score(sheet: Invented, file: Written) -> Score:
    """Every proposed line held against what its heading truly is, in which unit, and what its words mean."""
    found = proposals(raw_tables([str(file.path)]).tables)[0]
    lines: dict[tuple[bool, bool], list[str]] = {(a, b): [] for a in (True, False) for b in (True, False)}
    for choice in found.choices:
        fault = _fault(sheet, file, found.table or "", choice, found.missing)
        text = f"{choice.field} = {choice.heading}" + (f" ({fault})" if fault else "")
        lines[fault is None, choice.doubtful].append(text)
    mapped = {choice.heading for choice in found.choices}
    lost = tuple(heading for heading, name in file.truth.items() if name != NOTHING and heading not in mapped)
    return Score(
        (*lines[True, False], *lines[True, True]),
        tuple(lines[True, True]),
        tuple(lines[False, True]),
        tuple(lines[False, False]),
        lost,
    )


def _fault(sheet: Invented, file: Written, table: str, choice: ColumnMatch, missing: tuple[str, ...]) -> str | None:
    if table != "sessions" or choice.field not in file.truth[choice.heading].split("/"):
        return file.truth[choice.heading]
    entry = FIELDS["sessions"][choice.field]
    if entry.type in ("number", "whole number"):
        unit = unit_for(choice.unit, entry.unit) if choice.unit else None
        factor = (unit.factor if unit else 1.0) * file.factor.get(choice.heading, 1.0)
        return None if 0.97 < factor < 1.03 else f"unit {choice.unit}"
    meant = {normalise_level(word): level for level, words in choice.values.items() for word in words}
    nothing = file.nothing.get(choice.heading)
    if nothing and normalise_level(nothing) in meant and nothing not in missing:
        return f"{nothing} is {meant[normalise_level(nothing)]}"
    how = next(how for heading, _, how in sheet.columns if heading == choice.heading).split("?")[0]
    told = dict(pair.strip().split("=", 1) for pair in how.split(",") if "=" in pair)
    wrong = [word for level, word in told.items() if meant.get(normalise_level(word), level) != level]
    return f"{wrong[0]} misread" if wrong else None
