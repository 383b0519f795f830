"""Rows set aside, as they stood in their file, to mend and feed back."""

from __future__ import annotations

import csv
import io

import polars as pl

from analysis.intake.log import RejectedRows
from analysis.intake.raw import ROW, RawTable


def rejected_rows(raw: RawTable, table: str, rows: pl.Series) -> list[RejectedRows]:
    """The named rows of a file as CSV under the file's own headings, and its broken lines as text."""
    found = []
    if len(rows):
        kept = raw.cells.filter(pl.col(ROW).is_in(rows.implode())).drop(ROW).select(pl.all().cast(pl.String))
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow(raw.headings)
        writer.writerows(["" if cell is None else cell for cell in row] for row in kept.iter_rows())
        found.append(RejectedRows(raw.file, table, text.getvalue(), ".csv"))
    if raw.broken.height:
        lines = "\n".join(raw.broken.get_column("text").fill_null("")) + "\n"
        found.append(RejectedRows(raw.file, table, lines, ".txt"))
    return found
