"""Description of an export format: headings, units, values, numbers, dates and kind of file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

ColumnKind = Literal["text", "workbook", "database"]
# foreign units per unit of the log
FACTORS = {
    "": 1.0,
    "cm": 0.1,
    "in": 1 / 25.4,
    "fl_oz": 1 / 29.5735295625,
    "in_lb": 8.850745767,
    "percent": 100.0,
    "s": 60.0,
}


@dataclass(frozen=True)
class ExportColumn:
    """One column: field of the log, heading, unit if it differs from that of the log, digits."""

    field: str
    heading: str
    unit: str = ""
    digits: int = 2

    def foreign(self, value: float) -> float:
        """Convert a value of the log to the unit of this column."""
        if self.unit == "f":
            return round(value * 1.8 + 32, self.digits)
        return round(value * FACTORS[self.unit], self.digits)


@dataclass(frozen=True)
class ExportSheet:
    """One table of an export: table of the log, file, sheet or database table, and columns.

    `from_year` and `until_year` select the rows of a table that is split into several sheets.
    """

    table: str
    file: str
    sheet_name: str
    columns: tuple[ExportColumn, ...]
    titles: tuple[str, ...] = ()
    totals: str = ""
    from_year: int = 0
    until_year: int = 9999

    @property
    def source(self) -> str:
        """The file as named in intake.csv: book.xlsx#sheet, shop.sqlite#table, or the file."""
        return f"{self.file}#{self.sheet_name}" if self.sheet_name else self.file


@dataclass(frozen=True)
class ExportFormat:
    """The format in which a workshop's software writes its log."""

    name: str
    sheets: tuple[ExportSheet, ...]
    levels: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    yes: str = "yes"
    no: str = "no"
    decimal: str = "."
    delimiter: str = ";"
    encoding: str = "utf-8"
    bom: bool = False
    moment: str = "%Y-%m-%d %H:%M"
    day: str = "%Y-%m-%d"
    typed: bool = False
    text_dates_share: float = 0.0

    def kind(self, sheet: ExportSheet) -> ColumnKind:
        if sheet.file.endswith(".xlsx"):
            return "workbook"
        return "database" if sheet.file.endswith(".sqlite") else "text"


def columns(rows: str) -> tuple[ExportColumn, ...]:
    """Parse columns, one per line: field | heading | unit | digits; the last two are optional."""
    out = []
    for line in rows.strip().splitlines():
        parts = [part.strip() for part in line.split("|")]
        name, heading, unit, digits = parts + ["", "", "2"][len(parts) - 1 :]
        out.append(ExportColumn(name, heading, unit, int(digits)))
    return tuple(out)


def levels(rows: str) -> dict[str, dict[str, str]]:
    """Parse values, one field per line: field: log value=foreign value, log value=foreign value."""
    out: dict[str, dict[str, str]] = {}
    for line in rows.strip().splitlines():
        name, words = line.split(":", 1)
        pairs = (pair.split("=") for pair in words.split(","))
        out[name.strip()] = {canonical.strip(): foreign.strip() for canonical, foreign in pairs}
    return out
