"""The rows of a file that cannot be read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import polars as pl

from analysis.intake.readers.limits import CELL_BYTES
from analysis.intake.readers.raw_table import ROW, RawTable


def unparsed_rows(rows: Iterable[tuple[int, str, str]] = ()) -> pl.DataFrame:
    """A RawTable's `broken`: row, its text in the file, why it cannot be read."""
    return pl.DataFrame(list(rows), schema={ROW: pl.Int64, "text": pl.String, "why": pl.String}, orient="row")


def without_long_cells(raw: RawTable) -> RawTable:
    """The table with every row that has a cell above the limit among its broken ones, as a line of CSV."""
    too_long = (pl.col(pl.String).str.len_bytes() > CELL_BYTES).fill_null(False)
    marks = raw.cells.select(too_long)
    marks = marks.select(name for name in marks.columns if marks[name].any())
    if not marks.width:
        return raw
    long_rows = marks.select(pl.any_horizontal(pl.all())).to_series()
    bad = raw.cells.filter(long_rows)
    lines = (row.write_csv(include_header=False).removesuffix("\n") for row in bad.drop(ROW).iter_slices(1))
    reasons = (_too_long(row.select(marks.columns)) for row in bad.iter_slices(1))
    broken = pl.concat([raw.broken, unparsed_rows(zip(bad[ROW], lines, reasons, strict=True))]).sort(ROW)
    return replace(raw, cells=raw.cells.filter(~long_rows), broken=broken)


def _too_long(row: pl.DataFrame) -> str:
    sizes = row.select(pl.all().str.len_bytes()).row(0, named=True)
    problem = (
        f"the cell under {name[:60]!r} has {size:,} bytes" for name, size in sizes.items() if (size or 0) > CELL_BYTES
    )
    return f"{', '.join(problem)}; at most {CELL_BYTES:,} are read in a cell"
