"""What a page is made of: questions with their answer, what to do, a chart, the table behind it, and how it was got."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.charts import SIGNAL_WORDS, VERDICT_WORDS, specification
from analysis.pages import words
from analysis.pages.cards import Card

ROWS_SHOWN, TITLE_LINE = 200, 38
IN_WORDS = {
    "signal": SIGNAL_WORDS,
    "verdict": VERDICT_WORDS,
    "action": {
        "row_set_aside": "row set aside",
        "value_blanked": "value blanked",
        "duplicate": "copy",
        "unlinked": "no bleed found",
    },
}


@dataclass(frozen=True)
class Cell:
    """A cell of a page's table: what is read and what it is sorted by."""

    text: str
    sort: float | str


@dataclass(frozen=True)
class PageTable:
    """A table on a page; `more` tells how many rows the file has beyond those shown."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    file: str
    more: int = 0


@dataclass(frozen=True)
class Question:
    """One question of a reader and all that answers it, in reading order; `hint` says what a chart answers to."""

    id: str
    question: str
    answer: str
    action: str = ""
    points: tuple[str, ...] = ()
    hint: str = ""
    charts: tuple[dict[str, Any], ...] = ()
    table: PageTable | None = None
    open_table: bool = False
    method: str = ""
    cards: tuple[Card, ...] = ()


def drawn(*charts: Any) -> tuple[dict[str, Any], ...]:
    """Charts as specifications a page carries."""
    return tuple(specification(chart) for chart in charts)


def titled(chart: Any, title: str) -> Any:
    """The chart under a title of its own, where several stand in a row."""
    return chart.properties(title=textwrap.wrap(title, TITLE_LINE) or title)


def page_table(frame: pl.DataFrame, caption: str, columns: dict[str, str], file: str) -> PageTable:
    """The named columns of a frame under headings in words.

    Parameters
    ----------
    frame
        Rows in the order they are shown.
    caption
        What the table is.
    columns
        Heading in words by column; `%` at its end shows a share as a percentage.
    file
        Where the whole table lies in the run's folder.
    """
    shown = frame.head(ROWS_SHOWN).with_columns(
        pl.col(name).replace(told) for name, told in IN_WORDS.items() if name in columns
    )
    rows = tuple(
        tuple(_cell(value, heading.endswith("%")) for value, heading in zip(row, columns.values(), strict=True))
        for row in shown.select(list(columns)).iter_rows()
    )
    return PageTable(
        caption, tuple(h.removesuffix(" %") for h in columns.values()), rows, file, frame.height - shown.height
    )


def _cell(value: Any, percent: bool) -> Cell:
    if value is None:
        return Cell("", "")
    if isinstance(value, bool):
        return Cell("yes" if value else "no", float(value))
    if isinstance(value, float):
        return Cell(f"{100 * value:.1f}%".replace("-", "−") if percent else words.plain(value), value)
    if isinstance(value, int):
        return Cell(f"{value:,}", float(value))
    return Cell(str(value)[:400], str(value)[:400])
