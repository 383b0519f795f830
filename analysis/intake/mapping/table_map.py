"""The content of a map: which heading of an export is which field of the log, in which unit and words."""

from __future__ import annotations

from collections.abc import Mapping as ReadOnlyDict
from dataclasses import dataclass, field

from analysis.intake.convert.date_order import Order
from analysis.intake.readers.raw_table import ReadingHint
from schemas import LOG_TABLES, STUDY_TABLES, Entry, dictionary

MODELS = LOG_TABLES | STUDY_TABLES
FIELDS: dict[str, dict[str, Entry]] = {
    table: {entry.name: entry for entry in dictionary(table, model)} for table, model in MODELS.items()
}
GENERATED_IDS = {"sessions": "session_id", "comebacks": "comeback_id", "actions": "action_id"}
"""Ids that are generated where a file has no column for them."""


@dataclass(frozen=True)
class ColumnMap:
    """The heading of one field; `unit` is the export's unit where it differs from the field's."""

    field: str
    heading: str
    unit: str | None = None


@dataclass(frozen=True)
class OwnColumn:
    """A column that only this shop has, read as `own.<name>`; `low` and `high` are inclusive limits in `unit`.

    `group` says that bleeds with the same value are compared with the others, as those of a lot or kit are.
    """

    name: str
    heading: str
    type: str = "text"
    unit: str = ""
    role: str = ""
    low: float | None = None
    high: float | None = None
    group: bool = False


@dataclass(frozen=True)
class TableMap:
    """How one file or sheet becomes one table of the log.

    `values` gives, for a field, the words of the export for each level (`true` and `false` for a yes/no field), or the
    other spellings of a name. With `in_bleed_rows` the returns are written in the rows of a table of bleeds.
    """

    table: str
    columns: tuple[ColumnMap, ...]
    values: ReadOnlyDict[str, ReadOnlyDict[str, tuple[str, ...]]] = field(default_factory=dict)
    own: tuple[OwnColumn, ...] = ()
    decimal: str | None = None
    thousands: str = ""
    date_order: Order | None = None
    encoding: str | None = None
    delimiter: str | None = None
    missing: tuple[str, ...] = ()
    short_rows: bool = False
    in_bleed_rows: bool = False

    @property
    def headings(self) -> tuple[str, ...]:
        """Every heading named, those of own columns last."""
        return (*(column.heading for column in self.columns), *(column.heading for column in self.own))

    def hint(self) -> ReadingHint:
        """What the readers need before they can find the heading row."""
        required = required_fields(self.table)
        headings = frozenset(column.heading for column in self.columns if column.field in required)
        return ReadingHint(self.encoding, self.delimiter, self.short_rows, headings)


@dataclass(frozen=True)
class Mapping:
    """The sections of a map and the file it was read from."""

    sections: tuple[TableMap, ...]
    file: str


def required_fields(table: str) -> tuple[str, ...]:
    """Fields for which a file must have a column; an id that can be generated is not one."""
    return tuple(name for name, entry in FIELDS[table].items() if entry.required and name != GENERATED_IDS.get(table))
