"""Tables and reports as a notebook shows them: percentages, an estimate with its interval in one cell, whole sentences."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from html import escape

import polars as pl

from analysis.pages.labels import CAUTIONS
from analysis.pages.question import TableCell, page_table
from analysis.pages.summary import findings
from analysis.pages.text import TOO_FEW, estimate, interval, number, percent, percent_interval, percent_range
from analysis.report import Report
from schemas import AUDIT_TABLES, LOG_TABLES, OTHER_TABLES, Entry, field_entries

MAX_TEXT_ROWS, ROWS_FOLDED = 30, 6
PROBABILITIES = ("p_value", "q_value")
"""Fractions that are read as numbers."""


@dataclass(frozen=True, repr=False)
class ShownTable:
    """A table formatted for reading; `meanings` explains a heading where the table is one of a run's."""

    headings: tuple[str, ...]
    rows: tuple[tuple[TableCell, ...], ...]
    meanings: tuple[str, ...]
    hidden_rows: int = 0

    def __repr__(self) -> str:
        lines = [" | ".join(self.headings)]
        lines += [" | ".join(cell.text for cell in row) for row in self.rows[:MAX_TEXT_ROWS]]
        more = self.hidden_rows + max(len(self.rows) - MAX_TEXT_ROWS, 0)
        return "\n".join(lines + ([f"and {more:,} more rows"] if more else []))

    def _repr_html_(self) -> str:
        heads = "".join(
            f'<th title="{escape(meaning)}" style="text-align:left">{escape(heading)}</th>'
            for heading, meaning in zip(self.headings, self.meanings, strict=True)
        )
        rows = "".join(f"<tr>{''.join(_html_cell(cell) for cell in row)}</tr>" for row in self.rows)
        more = f"<p>and {self.hidden_rows:,} more rows</p>" if self.hidden_rows else ""
        return f"<table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>{more}"


def show(table: pl.DataFrame) -> ShownTable:
    """Format a table for reading, by the units of its fields; at most the first 200 rows are shown.

    Shares are shown as percentages, each interval is in the same cell as its estimate, and text is not cut off. Columns
    may be any of those in a run's tables (see `rebleed fields`); other columns are shown as they are.

    Parameters
    ----------
    table
        Rows, in the order to show them.
    """
    fields = _fields_of_columns(tuple(table.columns))
    cells = [
        _ShownColumn(name, fields.get(name)) for name in table.columns if not _estimate_column_of(name, table.columns)
    ]
    limits = {_estimate_column_of(name, table.columns): name for name in table.columns if name.endswith("lo")}
    texts = table.select(column.expression(limits.get(column.name), table) for column in cells)
    formatted = page_table(texts, "", {column.name: column.heading for column in cells}, "")
    return ShownTable(
        formatted.headings, formatted.rows, tuple(column.meaning for column in cells), formatted.hidden_rows
    )


@dataclass(frozen=True)
class _ShownColumn:
    """One column as it is shown, and its field, if it is a field of a run's table or of the log."""

    name: str
    field: Entry | None

    @property
    def unit(self) -> str:
        return self.field.unit if self.field and self.name not in PROBABILITIES else ""

    @property
    def heading(self) -> str:
        words = self.name.removeprefix("own.").removesuffix("_lo").replace("_", " ")
        return words + {"fraction": " %", "": "", "per 100": "", "currency": ""}.get(self.unit, f" ({self.unit})")

    @property
    def meaning(self) -> str:
        return self.field.description if self.field else self.name

    def expression(self, limit: str | None, table: pl.DataFrame) -> pl.Expr:
        """The column, or its text with the interval."""
        if self.name.endswith("_lo") and f"{self.name[:-3]}_hi" in table.columns:
            return self._interval_expression(None, self.name, f"{self.name[:-3]}_hi")
        if limit is None:
            return pl.col(self.name)
        return self._interval_expression(self.name, limit, limit[:-2] + "hi")

    def _interval_expression(self, value: str | None, lo: str, hi: str) -> pl.Expr:
        share = self.unit == "fraction"
        names = [name for name in (value, lo, hi) if name]
        return (
            pl.struct(names)
            .map_elements(
                lambda row: _estimate_text(row.get(value or ""), row[lo], row[hi], share), return_dtype=pl.String
            )
            .alias(self.name)
        )


def _estimate_text(value: float | None, lo: float | None, hi: float | None, share: bool) -> str:
    if value is None:
        no_limits = lo is None or hi is None
        return TOO_FEW if no_limits else percent_range(lo, hi) if share else interval(lo, hi)  # type: ignore[arg-type]
    if isinstance(lo, int) and isinstance(hi, int):
        return f"{value:,} ({lo:,}–{hi:,})"
    if lo is None or hi is None:
        return percent(value) if share else number(value)
    if share and lo < 0:
        return f"{percent(value)} ({percent(lo)} to {percent(hi)})"
    return percent_interval(value, lo, hi) if share else estimate(value, lo, hi)


def _estimate_column_of(name: str, columns: list[str]) -> str:
    """The column whose interval this one limits: that of the same stem, else the one that begins like it, else the one
    before; the lower limit of a range without an estimate; "" if it limits none."""
    stem, end = name[:-2], name[-2:]
    pair = {f"{stem}lo", f"{stem}hi"}
    if end not in ("lo", "hi") or not (stem.endswith("_") or not stem) or not pair <= set(columns):
        return ""
    others = [one for one in columns if not one.endswith(("_lo", "_hi")) and one not in ("lo", "hi")]
    if not stem:
        before = [one for one in columns[: columns.index("lo")] if one in others]
        return before[-1] if before else ""
    own = [one for one in others if f"{one}_" == stem] or [one for one in others if one.startswith(stem)]
    return own[0] if own else (f"{stem}lo" if end == "hi" else "")


@cache
def _fields_of_columns(columns: tuple[str, ...]) -> dict[str, Entry]:
    """The fields of the run's table, or else of the log's, that has most of these columns."""
    models = (*AUDIT_TABLES.items(), *OTHER_TABLES.items(), *LOG_TABLES.items())
    tables = [{entry.name: entry for entry in field_entries(name, model)} for name, model in models]
    best = max(tables, key=lambda fields: len(fields.keys() & set(columns)))
    every = {name: entry for fields in reversed(tables) for name, entry in fields.items()}
    return {name: best.get(name) or every[name] for name in columns if name in every}


def _html_cell(cell: TableCell) -> str:
    side = "left" if isinstance(cell.sort, str) else "right"
    return f'<td style="text-align:{side}">{escape(cell.text)}</td>'


def report_html(report: Report) -> str:
    """A report as a notebook displays it: findings, days covered, notes, and every table, folded."""
    lines = "".join(f"<p><b>{escape(finding.text)}</b><br>{escape(finding.detail)}</p>" for finding in findings(report))
    head = (
        f"{report.data.bleeds.height:,} bleeds up to {report.as_of}, {report.data.bleeds['mature'].sum():,} of them followed "
        f"for the whole {report.window_days} days; procedure: {report.standard.name}."
    )
    notes = "".join(f"<li>{escape(note)}</li>" for note in (*report.notes, *report.log.warnings))
    tables = "".join(
        f"<details><summary>report.{name}: {_row_count_text(getattr(report, name))}</summary>"
        f"{show(getattr(report, name).head(ROWS_FOLDED))._repr_html_()}</details>"
        for name in AUDIT_TABLES
    )
    return (
        f"<p>{escape(head)}</p>{lines}<details><summary>Notes</summary><ul>{notes}</ul></details>{tables}"
        f"<p>Boards: lead_board(report), trainer_board(report), analyst_board(report). Charts: dir(charts). "
        f"{escape(CAUTIONS[0])}</p>"
    )


def _row_count_text(table: pl.DataFrame) -> str:
    return f"{table.height:,} row{'' if table.height == 1 else 's'}"
