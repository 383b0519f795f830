"""Rows set aside are written as Python's own csv writer writes them, whatever stands in their cells."""

import csv
import io

import polars as pl
import pytest

from analysis.intake import ROW
from analysis.intake.rejected_rows import rejected_rows
from tests.intake.raw_tables import raw

CELLS = ["", "plain", 'a "quoted" word', "a,b", "two\nlines", "bare\rreturn", " lead", "'=1+1", None, "é;", "\t"]


@pytest.mark.parametrize("beside", [{}, {"other": [str(n) for n in range(len(CELLS))]}], ids=["alone", "with another"])
def test_hostile_cells_stand_in_the_file_as_the_reference_writer_puts_them(beside: dict[str, list[str]]) -> None:
    """Source: the csv module of the standard library, lines ended by carriage return and line feed."""
    table = raw({"a": CELLS} | beside)
    (found,) = rejected_rows(table, "sessions", pl.Series(range(2, len(CELLS) + 2)), {})
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(table.headings)
    writer.writerows(["" if cell is None else cell for cell in row] for row in table.cells.drop(ROW).iter_rows())
    assert found.text == text.getvalue()
