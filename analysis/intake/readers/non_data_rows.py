"""What stands around the rows of a table and is none: title lines, blank lines, totals, rulers, row counts."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from analysis.intake.readers.raw_table import ROW
from analysis.intake.readers.reading_hint import ReadingHint

_TOTALS = (
    "total|totals|grand total|subtotal|sub total|sum|sums|summe|summen|gesamt|gesamtsumme|zwischensumme|endsumme|somme|total général|totale|"
    "suma|soma|totaal|average|mean|durchschnitt|mittelwert|moyenne|count|anzahl"
)
# Possessive throughout: a cell may have a million characters, and a pattern that backtracks takes hours over it.
_TOTALS_CELL = re.compile(rf"\s*+(?:{_TOTALS})\s*+[:.]?+\s*+", re.IGNORECASE)
_COUNT_CELL = re.compile(
    r"\s*+\(?+\s*+\d++\s++(?:rows?|records?|lines?|zeilen?|datensätze?|lignes?|enregistrements?|filas?|righe|rijen)"
    r"(?:\s++(?:selected|affected|returned|in set))?+\s*+\)?+\s*+\.?+\s*+",
    re.IGNORECASE,
)
_RULER_CELL = re.compile(r"\s*+[-=_+|]{3}[-=_+|\s]*+")
_NUMBER_CELL = re.compile(r"\s*+[-+]?+(?=[.,'’\s]*+\d)[\d.,'’\s]*+(?:%|€|\$|£|\w{1,3}+)?+\s*+")
_VALUE_CELL = re.compile(
    r"\s*+(?:[-+]?+(?=[.,]*+\d)[\d.,]*+|\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?:[T ].*+)?+|true|false)\s*+", re.IGNORECASE
)
_HEADING_WITHIN = 60
SUSPECT = rf"(?i)^['(]*(?:(?:{_TOTALS})\b|\d+\s+[a-zä]|[-=_+|]{{3}})"
"""Every furniture line of a text fits this once leading delimiters, spaces and quotation marks are gone; rows may too."""


def is_non_data_row(cells: Sequence[str | None]) -> bool:
    """Whether a record below the heading is no row: a total, a ruler, or a count of rows standing alone.

    A totals line begins with one of the usual words as a whole cell and has nothing but numbers after it, so that a
    row with a date or a word in it is never taken for one.
    """
    filled = [cell for cell in cells if cell and cell.strip()]
    if not filled:
        return True
    if all(_RULER_CELL.fullmatch(cell) for cell in filled):
        return True
    if len(filled) == 1 and _COUNT_CELL.fullmatch(filled[0]):
        return True
    if not _TOTALS_CELL.fullmatch(filled[0]):
        return False
    return all(_NUMBER_CELL.fullmatch(cell) for cell in filled[1:]) and len(filled) < len(cells)


def heading_row(records: Sequence[Sequence[str | None]], hints: Sequence[ReadingHint] = ()) -> int | None:
    """Which of the first records holds the headings; None where all are blank.

    It is the first with all headings of a hint; else the first that fills nearly the usual number of cells, and of
    those rather one of words than one of numbers and dates.
    """
    top = list(records[:_HEADING_WITHIN])
    for place, cells in enumerate(top):
        names = [cell for cell in cells if cell]
        if any(hint.headings and hint.fits(names) for hint in hints):
            return place
    filled = [sum(bool(cell and cell.strip()) for cell in cells) for cells in top]
    if not any(filled):
        return None
    full = min(usual_width(records), max(filled))
    enough = min(0.8 * full, full - 1) if full > 3 else full
    candidates = [place for place, count in enumerate(filled) if count >= enough and count > 0]
    close_candidates = [place for place in candidates if place <= candidates[0] + 10]
    return next((place for place in close_candidates if _is_text_row(top[place])), candidates[0])


def usual_width(records: Sequence[Sequence[str | None]]) -> int:
    """The commonest number of cells of a record; of several equally common ones the largest."""
    widths = Counter(len(cells) for cells in records if any(cell and cell.strip() for cell in cells))
    several = {width: count for width, count in widths.items() if width > 1} or widths
    return max(several, key=lambda width: (several[width], width), default=0)


def unique_headings(cells: Sequence[str | None]) -> list[str]:
    """Headings as they stand; a repeated one gets " (2)", an empty one "column 4" by its place."""
    used = {ROW}
    copies: dict[str, int] = {}
    names: list[str] = []
    for place, cell in enumerate(cells, start=1):
        wanted = cell if cell and cell.strip() else f"column {place}"
        name, copy = wanted, copies.get(wanted, 1)
        while name in used:
            copy += 1
            name = f"{wanted} ({copy})"
        copies[wanted] = copy
        used.add(name)
        names.append(name)
    return names


def _is_text_row(cells: Sequence[str | None]) -> bool:
    filled = [cell for cell in cells if cell and cell.strip()]
    return not any(_VALUE_CELL.fullmatch(cell) for cell in filled)
