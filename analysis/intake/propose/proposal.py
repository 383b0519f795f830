"""What is proposed for one file: its table and a heading for each field."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.intake.convert.date_order import Order
from analysis.intake.mapping.table_map import ColumnMap, OwnColumn, TableMap
from analysis.intake.propose.assignment import ColumnMatch, RefusedMatch

CHECK = "CHECK"
"""Marks a line of a proposed map that a person should check."""


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
