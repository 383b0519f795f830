"""Score of a proposed map on an invented sheet: lines right, wrong but marked, wrong and unmarked, and missing."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.intake import proposals
from analysis.intake.convert.cleaned_text import normalise_level
from analysis.intake.convert.numbers import unit_for
from analysis.intake.mapping.table_map import FIELDS
from analysis.intake.propose.assignment import ColumnMatch
from analysis.intake.readers.sources import raw_tables
from tests.intake.invented_sheets import NO_FIELD, Invented, SheetFile


@dataclass(frozen=True)
class Score:
    """Lines by outcome, each as `field = heading`."""

    right: tuple[str, ...]
    right_but_marked: tuple[str, ...]
    wrong_but_marked: tuple[str, ...]
    wrong_and_unmarked: tuple[str, ...]
    not_found: tuple[str, ...]


def score(sheet: Invented, file: SheetFile) -> Score:
    """Compare every proposed line with the true field of its heading, its unit and the meaning of its words."""
    proposal = proposals(raw_tables([str(file.path)]).tables)[0]
    lines: dict[tuple[bool, bool], list[str]] = {(a, b): [] for a in (True, False) for b in (True, False)}
    for choice in proposal.choices:
        fault = _fault(sheet, file, proposal.table or "", choice, proposal.missing)
        text = f"{choice.field} = {choice.heading}" + (f" ({fault})" if fault else "")
        lines[fault is None, choice.doubtful].append(text)
    mapped = {choice.heading for choice in proposal.choices}
    lost = tuple(heading for heading, name in file.truth.items() if name != NO_FIELD and heading not in mapped)
    return Score(
        (*lines[True, False], *lines[True, True]),
        tuple(lines[True, True]),
        tuple(lines[False, True]),
        tuple(lines[False, False]),
        lost,
    )


def _fault(sheet: Invented, file: SheetFile, table: str, choice: ColumnMatch, missing: tuple[str, ...]) -> str | None:
    if table != "sessions" or choice.field not in file.truth[choice.heading].split("/"):
        return file.truth[choice.heading]
    entry = FIELDS["sessions"][choice.field]
    if entry.type in ("number", "whole number"):
        unit = unit_for(choice.unit, entry.unit) if choice.unit else None
        factor = (unit.factor if unit else 1.0) * file.factor.get(choice.heading, 1.0)
        return None if 0.97 < factor < 1.03 else f"unit {choice.unit}"
    level_of = {normalise_level(word): level for level, words in choice.values.items() for word in words}
    nothing = file.nothing.get(choice.heading)
    if nothing and normalise_level(nothing) in level_of and nothing not in missing:
        return f"{nothing} is {level_of[normalise_level(nothing)]}"
    how = next(how for heading, _, how in sheet.columns if heading == choice.heading).split("?")[0]
    true_words = dict(pair.strip().split("=", 1) for pair in how.split(",") if "=" in pair)
    wrong = [word for level, word in true_words.items() if level_of.get(normalise_level(word), level) != level]
    return f"{wrong[0]} misread" if wrong else None
