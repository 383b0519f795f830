"""The parts of a page: findings, questions with their answer, action, charts, table and method."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.charts import SIGNAL_LABELS, VERDICT_LABELS, specification
from analysis.pages.text import number

MAX_ROWS_ON_PAGE, TITLE_WIDTH = 200, 38
MAX_DETAIL_WORDS = 16
"""An answer's detail that has more words is folded with the figures."""
VALUE_LABELS = {
    "signal": SIGNAL_LABELS,
    "verdict": VERDICT_LABELS,
    "action": {
        "row_set_aside": "row rejected",
        "value_blanked": "value blanked",
        "duplicate": "duplicate dropped",
        "unlinked": "return not matched to a bleed",
    },
}


@dataclass(frozen=True)
class Finding:
    """A decision in at most two sentences, and the figures behind it in a second line."""

    text: str
    detail: str = ""

    def __str__(self) -> str:
        return f"{self.text} {self.detail}".strip()


@dataclass(frozen=True)
class TableCell:
    """A cell of a page's table: the text shown and the value it is sorted by."""

    text: str
    sort: float | str


@dataclass(frozen=True)
class PageTable:
    """A table on a page; `hidden_rows` counts the rows that are only in the file."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[TableCell, ...], ...]
    file: str
    hidden_rows: int = 0


@dataclass(frozen=True)
class Card:
    """One technician's coaching card."""

    name: str
    lines: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True)
class Question:
    """One question of a reader and its answer, in reading order.

    `hint` says how to use the charts, which `fold_charts` folds away; `figures` are counts and intervals behind the answer,
    folded with the method.
    """

    id: str
    question: str
    answer: Finding
    action: str = ""
    points: tuple[str, ...] = ()
    hint: str = ""
    charts: tuple[dict[str, Any], ...] = ()
    fold_charts: bool = False
    table: PageTable | None = None
    open_table: bool = False
    figures: tuple[str, ...] = ()
    method: str = ""
    cards: tuple[Card, ...] = ()

    @property
    def folds_detail(self) -> bool:
        """Whether the answer's detail is too long to be read first."""
        return len(self.answer.detail.split()) > MAX_DETAIL_WORDS

    @property
    def folded(self) -> tuple[str, ...]:
        """The figures behind the answer that a page folds away."""
        return (self.answer.detail, *self.figures) if self.folds_detail else self.figures


def chart_specs(*charts: Any) -> tuple[dict[str, Any], ...]:
    """Charts as Vega-Lite specifications with their data."""
    return tuple(specification(chart) for chart in charts)


def with_title(chart: Any, title: str) -> Any:
    """The chart with a title of its own, wrapped to the width of a chart."""
    return chart.properties(title=textwrap.wrap(title, TITLE_WIDTH) or title)


def page_table(
    frame: pl.DataFrame, caption: str, columns: dict[str, str], file: str, smallest: dict[str, float] | None = None
) -> PageTable:
    """A frame's rows under readable headings.

    Parameters
    ----------
    frame
        Rows in the order they are shown.
    caption
        What the table is.
    columns
        Heading by column; a heading that ends with `%` shows a fraction as a percentage.
    file
        The file in the run's folder with all rows; empty if none has them.
    smallest
        The smallest value of a column that can be known; those below are shown as under it.
    """
    floors = [(smallest or {}).get(name, 0.0) for name in columns]
    visible = frame.head(MAX_ROWS_ON_PAGE).with_columns(
        pl.col(name).replace(labels) for name, labels in VALUE_LABELS.items() if name in columns
    )
    rows = tuple(
        tuple(
            _table_cell(value, heading.endswith("%"), floor)
            for value, heading, floor in zip(row, columns.values(), floors, strict=True)
        )
        for row in visible.select(list(columns)).iter_rows()
    )
    headings = tuple(heading.removesuffix(" %") for heading in columns.values())
    return PageTable(caption, headings, rows, file, frame.height - visible.height)


def _table_cell(value: Any, percent: bool, floor: float) -> TableCell:
    if value is None:
        return TableCell("", "")
    if isinstance(value, bool):
        return TableCell("yes" if value else "no", float(value))
    if isinstance(value, float) and 0 <= value < floor:
        return TableCell(f"under {floor:g}", value)
    if isinstance(value, float):
        return TableCell(f"{100 * value:.1f}%".replace("-", "−") if percent else number(value), value)
    if isinstance(value, int):
        return TableCell(f"{value:,}", float(value))
    return TableCell(str(value)[:400], str(value)[:400])
