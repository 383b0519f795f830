"""What the cells of a file tell of its marks: the decimal sign, and whether the day or the month comes first."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analysis.intake.convert.date_order import Order, column_date_order

_SAMPLE = 400


@dataclass(frozen=True)
class FileDateOrder:
    """Day or month first (None where every date begins with its year), and the date that leaves it open."""

    order: Order | None
    doubt: str | None


def decimal_mark(cells: pl.DataFrame) -> str:
    """A comma where more cells are numbers with a decimal comma than with a point."""
    comma = point = 0
    for column in cells.select(pl.col(pl.String)).iter_columns():
        some = column.drop_nulls().head(_SAMPLE).str.strip_chars()
        comma += int(some.str.contains(r"^[+-]?\d{1,7},\d{1,6}\D{0,4}$").sum())
        point += int(some.str.contains(r"^[+-]?\d{1,7}\.\d{1,6}\D{0,4}$").sum())
    return "," if comma > point else "."


def date_order(cells: pl.DataFrame) -> FileDateOrder:
    """The order of a file's date columns; day first, in doubt, where none of them decides it."""
    doubt = None
    for column in cells.select(pl.col(pl.String)).iter_columns():
        order = column_date_order(column)
        if order.order not in (None, "ymd"):
            return FileDateOrder(order.order, None)
        if order.order is None:
            doubt = doubt or f"{column.name}: {order.example}"
    return FileDateOrder("dmy" if doubt else None, doubt)
