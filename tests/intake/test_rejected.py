"""Rejected rows are written as Python's own csv writer writes them, whatever their cells contain."""

import csv
import io

import polars as pl
import pytest

from analysis.intake import ROW
from analysis.intake.rejections import rejected_rows
from tests.intake.raw_tables import raw

CELLS = ["", "plain", 'a "quoted" word', "a,b", "two\nlines", "bare\rreturn", " lead", "'=1+1", None, "é;", "\t"]


@pytest.mark.parametrize(
    "other_columns", [{}, {"other": [str(n) for n in range(len(CELLS))]}], ids=["alone", "with another"]
)
def test_special_characters_are_written_as_by_the_reference_writer(other_columns: dict[str, list[str]]) -> None:
    """Source: the csv module of the standard library, lines ended by carriage return and line feed."""
    table = raw({"a": CELLS} | other_columns)
    (rejected,) = rejected_rows(table, "sessions", pl.Series(range(2, len(CELLS) + 2)), {})
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(table.headings)
    writer.writerows(["" if cell is None else cell for cell in row] for row in table.cells.drop(ROW).iter_rows())
    assert rejected.text == text.getvalue()
