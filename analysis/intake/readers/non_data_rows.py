"""The heading row of a table, and lines that are not data: titles, blank lines, totals, rows of dashes, row counts."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from analysis.intake.readers.raw_table import ROW, ReadingHint

_TOTALS = (
    "total|totals|grand total|subtotal|sub total|sum|sums|summe|summen|gesamt|gesamtsumme|zwischensumme|endsumme|somme|total général|totale|"
    "suma|soma|totaal|average|mean|durchschnitt|mittelwert|moyenne|count|anzahl"
)
# All patterns are possessive: backtracking over a cell of a million characters would take hours.
_TOTALS_CELL = re.compile(rf"\s*+(?:{_TOTALS})\s*+[:.]?+\s*+", re.IGNORECASE)
_COUNT_CELL = re.compile(
    r"\s*+\(?+\s*+\d++\s++(?:rows?|records?|lines?|zeilen?|datensätze?|lignes?|enregistrements?|filas?|righe|rijen)"
    r"(?:\s++(?:selected|affected|returned|in set))?+\s*+\)?+\s*+\.?+\s*+",
    re.IGNORECASE,
)
_DASHES_CELL = re.compile(r"\s*+[-=_+|]{3}[-=_+|\s]*+")
_NUMBER_CELL = re.compile(r"\s*+[-+]?+(?=[.,'’\s]*+\d)[\d.,'’\s]*+(?:%|€|\$|£|\w{1,3}+)?+\s*+")
_VALUE_CELL = re.compile(
    r"\s*+(?:[-+]?+(?=[.,]*+\d)[\d.,]*+|\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?:[T ].*+)?+|true|false)\s*+", re.IGNORECASE
)
_MAX_HEADING_ROW = 60
MAY_BE_NON_DATA = rf"(?i)^['(]*(?:(?:{_TOTALS})\b|\d+\s+[a-zä]|[-=_+|]{{3}})"
"""Fits every non-data line without its leading delimiters, spaces and quotation marks, and some rows of data."""


def is_non_data_row(cells: Sequence[str | None]) -> bool:
    """Whether a record below the headings is not data: blank, a total, a row of dashes, or a count of rows.

    A totals line starts with one of the usual words as a whole cell, followed only by numbers and empty cells. So a
    row with a date or a word in it is always data.
    """
    filled = [cell for cell in cells if cell and cell.strip()]
    if not filled:
        return True
    if all(_DASHES_CELL.fullmatch(cell) for cell in filled):
        return True
    if len(filled) == 1 and _COUNT_CELL.fullmatch(filled[0]):
        return True
    if not _TOTALS_CELL.fullmatch(filled[0]):
        return False
    return all(_NUMBER_CELL.fullmatch(cell) for cell in filled[1:]) and len(filled) < len(cells)


def find_heading_row(records: Sequence[Sequence[str | None]], hints: Sequence[ReadingHint] = ()) -> int | None:
    """The index of the record with the headings; None if all are blank.

    It is the first with all headings of a hint; otherwise the first that fills nearly the usual number of cells,
    with a preference for one without numbers and dates among the next ten.
    """
    first_records = list(records[:_MAX_HEADING_ROW])
    for index, cells in enumerate(first_records):
        names = [cell for cell in cells if cell]
        if any(hint.headings and hint.fits(names) for hint in hints):
            return index
    filled = [sum(bool(cell and cell.strip()) for cell in cells) for cells in first_records]
    if not any(filled):
        return None
    width = min(_usual_width(records), max(filled))
    enough = min(0.8 * width, width - 1) if width > 3 else width
    candidates = [index for index, count in enumerate(filled) if count >= enough and count > 0]
    near_first = [index for index in candidates if index <= candidates[0] + 10]
    return next((index for index in near_first if _is_text_row(first_records[index])), candidates[0])


def _usual_width(records: Sequence[Sequence[str | None]]) -> int:
    """The most common number of cells of a record, the largest if several are equally common."""
    widths = Counter(len(cells) for cells in records if any(cell and cell.strip() for cell in cells))
    several = {width: count for width, count in widths.items() if width > 1} or widths
    return max(several, key=lambda width: (several[width], width), default=0)


def unique_headings(cells: Sequence[str | None]) -> list[str]:
    """Headings as written; a repeated one is numbered ("n (2)"), an empty one named by its position ("column 4")."""
    used = {ROW}
    copies: dict[str, int] = {}
    names: list[str] = []
    for position, cell in enumerate(cells, start=1):
        heading = cell if cell and cell.strip() else f"column {position}"
        name, copy = heading, copies.get(heading, 1)
        while name in used:
            copy += 1
            name = f"{heading} ({copy})"
        copies[heading] = copy
        used.add(name)
        names.append(name)
    return names


def _is_text_row(cells: Sequence[str | None]) -> bool:
    filled = [cell for cell in cells if cell and cell.strip()]
    return not any(_VALUE_CELL.fullmatch(cell) for cell in filled)
