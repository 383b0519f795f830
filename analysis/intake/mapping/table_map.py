"""What a map says: which heading of an export is which field of the log, in what unit and words."""

from __future__ import annotations

from collections.abc import Mapping as Told
from dataclasses import dataclass, field

from analysis.intake.convert.date_order import Order
from analysis.intake.readers.raw_table import ReadingHint
from schemas import LOG_TABLES, STUDY_TABLES, Entry, dictionary

MODELS = LOG_TABLES | STUDY_TABLES
FIELDS: dict[str, dict[str, Entry]] = {
    table: {entry.name: entry for entry in dictionary(table, model)} for table, model in MODELS.items()
}
GENERATED_IDS = {"sessions": "session_id", "comebacks": "comeback_id"}


@dataclass(frozen=True)
class ColumnMap:
    """One heading as one field; `unit` is the export's own, where it differs from the field's."""

    field: str
    heading: str
    unit: str | None = None


@dataclass(frozen=True)
class OwnColumn:
    """A column of the shop's own: `own.<name>`."""

    name: str
    heading: str
    type: str = "text"
    unit: str = ""
    role: str = ""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class TableMap:
    """How one file or sheet becomes one table of the log.

    `values` holds, for a field, the foreign words of each level (of `true` and `false` for a yes/no field), or the other
    spellings of a name.
    """

    table: str
    columns: tuple[ColumnMap, ...]
    values: Told[str, Told[str, tuple[str, ...]]] = field(default_factory=dict)
    own: tuple[OwnColumn, ...] = ()
    decimal: str | None = None
    thousands: str = ""
    date_order: Order | None = None
    encoding: str | None = None
    delimiter: str | None = None
    missing: tuple[str, ...] = ()
    short_rows: bool = False

    @property
    def headings(self) -> tuple[str, ...]:
        """Every heading it names."""
        return (*(column.heading for column in self.columns), *(column.heading for column in self.own))

    def hint(self) -> ReadingHint:
        """What the readers need to know of it before they understand a heading."""
        needed = required_fields(self.table)
        required = frozenset(column.heading for column in self.columns if column.field in needed)
        return ReadingHint(self.encoding, self.delimiter, self.short_rows, required)


@dataclass(frozen=True)
class Mapping:
    """The sections of a map, and the file it was read from."""

    sections: tuple[TableMap, ...]
    file: str


def required_fields(table: str) -> tuple[str, ...]:
    """Fields a file must have a column for; an id that can be made is none."""
    return tuple(n for n, entry in FIELDS[table].items() if entry.required and n != GENERATED_IDS.get(table))
