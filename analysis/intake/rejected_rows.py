"""Rejected rows as they are in their file, to correct and import again, each with its reasons in added columns."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace

import polars as pl

from analysis.intake.bleed_log import RejectedRows
from analysis.intake.readers.raw_table import ROW, RawTable

REASON_COLUMNS = ("rejected: file", "rejected: row", "rejected: rule", "rejected: reason")
"""Headings of the columns added after the row's own cells; they are ignored when the rows are imported again."""
_MAX_FIELD = 2**31 - 1
"""For the csv module, whose own limit of 131,072 characters is less than a cell may hold."""
FORMULA = re.compile(r"'*[=+\-@\t\r]")
"""The beginning of a cell that a spreadsheet would take for a formula; apostrophes before it count."""
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
SEPARATOR = re.compile(r'[",;\t\r\n]')


def with_reasons(rejected: RejectedRows, set_aside: pl.DataFrame) -> RejectedRows:
    """Add file, row, rules and reasons to each row; lines that could not be read are left as they are.

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
    by_row = own.group_by("row", maintain_order=True).agg(pl.col("rule", "message").str.join("; "))
    reasons = {row: texts for row, *texts in by_row.iter_rows()}
    csv.field_size_limit(_MAX_FIELD)
    lines = list(csv.reader(io.StringIO(rejected.text, newline="")))
    if tuple(lines[0][-len(REASON_COLUMNS) :]) == REASON_COLUMNS:  # rows imported again uncorrected
        lines = [cells[: -len(REASON_COLUMNS)] for cells in lines]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([*lines[0], *REASON_COLUMNS])
    for row, cells in zip(rejected.rows, lines[1:], strict=True):
        writer.writerow([*cells, rejected.file, row, *reasons.get(row, ("", ""))])
    return replace(rejected, text=text.getvalue())


def for_spreadsheets(text: str) -> str:
    """CSV text without cells that a spreadsheet would run as formulas, whichever separator it assumes.

    Cells that begin like a formula get an apostrophe; `restore_formulas` removes it when the rows are imported again.
    """
    csv.field_size_limit(_MAX_FIELD)
    rows = csv.reader(io.StringIO(text, newline=""))
    return "".join(",".join(map(_spreadsheet_cell, cells)) + "\r\n" if any(cells) else '""\r\n' for cells in rows)


def _spreadsheet_cell(cell: str) -> str:
    if FORMULA.match(cell) and not NUMBER.fullmatch(cell):
        cell = f"'{cell}"
    return '"' + cell.replace('"', '""') + '"' if SEPARATOR.search(cell) else cell


def restore_formulas(raw: RawTable) -> RawTable:
    """Remove the apostrophes of `for_spreadsheets` from a table of rejected rows; other tables stay as they are."""
    if tuple(raw.headings[-len(REASON_COLUMNS) :]) != REASON_COLUMNS:
        return raw
    texts = [name for name in raw.headings if raw.cells.schema[name] == pl.String]
    cells = raw.cells.with_columns(pl.col(texts).str.replace(r"^'('*[=+\-@\t\r])", "${1}"))
    headings = {name: name[1:] for name in raw.headings if name[0] == "'" and FORMULA.match(name)}
    return replace(raw, cells=cells.rename({old: new for old, new in headings.items() if new not in raw.headings}))


def rejected_rows(raw: RawTable, table: str, rows: pl.Series, heading_of: dict[str, str]) -> list[RejectedRows]:
    """Rejected rows of a file as CSV under the file's own headings, and its unreadable lines as text.

    Parameters
    ----------
    raw, table
        The file and the table of the log it holds.
    rows
        Numbers of the rejected rows.
    heading_of
        The file's heading for each field of the log.
    """
    field_of = {heading: field for field, heading in heading_of.items()}
    fields = tuple(field_of.get(heading, "") for heading in raw.headings)
    results = []
    if len(rows):
        rejected = raw.cells.filter(pl.col(ROW).is_in(rows.implode()))
        text = _csv_text(raw.headings, rejected.drop(ROW).select(pl.all().cast(pl.String)))
        results.append(RejectedRows(raw.file, table, text, ".csv", tuple(rejected.get_column(ROW)), fields))
    if raw.broken.height:
        lines = "\n".join(raw.broken.get_column("text").fill_null("")) + "\n"
        results.append(RejectedRows(raw.file, table, lines, ".txt"))
    return results


def _csv_text(headings: list[str], cells: pl.DataFrame) -> str:
    first_line = io.StringIO()
    csv.writer(first_line, lineterminator="\r\n").writerow(headings)
    # an empty cell of a single column is quoted, since a blank line would be no row
    empty = pl.all().fill_null("") if cells.width == 1 else pl.all().replace("", None)
    return first_line.getvalue() + cells.select(empty).write_csv(include_header=False, line_terminator="\r\n")
