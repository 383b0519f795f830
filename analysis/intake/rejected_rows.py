"""Rows set aside, as they stood in their file, to mend and feed back, with what was wrong with each behind its cells."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace

import polars as pl

from analysis.intake.bleed_log import RejectedRows
from analysis.intake.readers.raw_table import ROW, RawTable

REASON_COLUMNS = ("set aside from", "set aside row", "set aside rule", "set aside found", "set aside expected")
"""Headings of what stands behind the untouched cells; reading passes them over."""
_LONGEST_FIELD = 2**31 - 1
"""For the csv module, whose own limit of 131,072 characters is less than what a cell may hold."""
FORMULA = re.compile(r"'*[=+\-@\t\r]")
"""A cell that begins so would be a formula to a spreadsheet; one that already has apostrophes gets one more."""
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
SEPARATES = re.compile(r'[",;\t\r\n]')


def with_reasons(rejected: RejectedRows, set_aside: pl.DataFrame) -> RejectedRows:
    """The rows with file, row, rule, what was found and what was expected behind each; broken lines stay as they stood.

    Parameters
    ----------
    rejected
        Rows of one file.
    set_aside
        The reasons (`schemas.outputs.SetAside`).
    """
    if rejected.suffix != ".csv":
        return rejected
    own = set_aside.filter(
        pl.col("file") == rejected.file, pl.col("table") == rejected.table, pl.col("action") == "row_set_aside"
    )
    texts = own.with_columns(
        heading=pl.coalesce("heading", "column", pl.lit("")), found=pl.col("value").fill_null("nothing")
    ).with_columns(found=pl.format("in {}: {}", "heading", "found"))
    by_row = texts.group_by("row", maintain_order=True).agg(pl.col("rule", "found", "message").str.join("; "))
    reasons = {row: (rule, value, message) for row, rule, value, message in by_row.iter_rows()}
    csv.field_size_limit(_LONGEST_FIELD)
    lines = list(csv.reader(io.StringIO(rejected.text, newline="")))
    if tuple(lines[0][-len(REASON_COLUMNS) :]) == REASON_COLUMNS:  # rows fed back as they were
        lines = [cells[: -len(REASON_COLUMNS)] for cells in lines]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([*lines[0], *REASON_COLUMNS])
    for row, cells in zip(rejected.rows, lines[1:], strict=True):
        writer.writerow([*cells, rejected.file, row, *reasons.get(row, ("", "", ""))])
    return replace(rejected, text=text.getvalue())


def for_spreadsheets(text: str) -> str:
    """Rejected rows as CSV in which no spreadsheet finds a formula, whatever sign it takes for a separator.

    Cells that begin like a formula get an apostrophe, which `as_written` takes away when the rows are imported again.
    """
    csv.field_size_limit(_LONGEST_FIELD)
    rows = csv.reader(io.StringIO(text, newline=""))
    return "".join(",".join(map(_spreadsheet_cell, cells)) + "\r\n" if any(cells) else '""\r\n' for cells in rows)


def _spreadsheet_cell(cell: str) -> str:
    if FORMULA.match(cell) and not NUMBER.fullmatch(cell):
        cell = f"'{cell}"
    return '"' + cell.replace('"', '""') + '"' if SEPARATES.search(cell) else cell


def as_written(raw: RawTable) -> RawTable:
    """A table without the apostrophes of `for_spreadsheets`, where it is one of rejected rows."""
    if tuple(raw.headings[-len(REASON_COLUMNS) :]) != REASON_COLUMNS:
        return raw
    texts = [name for name in raw.headings if raw.cells.schema[name] == pl.String]
    cells = raw.cells.with_columns(pl.col(texts).str.replace(r"^'('*[=+\-@\t\r])", "${1}"))
    headings = {name: name[1:] for name in raw.headings if name[0] == "'" and FORMULA.match(name)}
    return replace(raw, cells=cells.rename({old: new for old, new in headings.items() if new not in raw.headings}))


def rejected_rows(raw: RawTable, table: str, rows: pl.Series, heading_of: dict[str, str]) -> list[RejectedRows]:
    """The named rows of a file as CSV under the file's own headings, and its broken lines as text.

    Parameters
    ----------
    raw, table
        The file, and the table of the log it is.
    rows
        Which rows.
    heading_of
        The file's heading for each field of the log.
    """
    field_of = {heading: field for field, heading in heading_of.items()}
    fields = tuple(field_of.get(heading, "") for heading in raw.headings)
    results = []
    if len(rows):
        wanted = raw.cells.filter(pl.col(ROW).is_in(rows.implode()))
        table_rows = wanted.drop(ROW).select(pl.all().cast(pl.String))
        text = io.StringIO()
        csv.writer(text, lineterminator="\r\n").writerow(raw.headings)
        empty = (
            pl.all().fill_null("") if table_rows.width == 1 else pl.all().replace("", None)
        )  # no row is a blank line
        rows_text = table_rows.select(empty).write_csv(include_header=False, line_terminator="\r\n")
        numbers = tuple(wanted.get_column(ROW))
        results.append(RejectedRows(raw.file, table, text.getvalue() + rows_text, ".csv", numbers, fields))
    if raw.broken.height:
        lines = "\n".join(raw.broken.get_column("text").fill_null("")) + "\n"
        results.append(RejectedRows(raw.file, table, lines, ".txt"))
    return results
