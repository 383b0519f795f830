"""For a shop with no log yet: a bench sheet to print and a spreadsheet to fill, from its own standard."""

from analysis.sheet.bench import write_bench_sheet
from analysis.sheet.workbook import write_workbook

__all__ = ["write_bench_sheet", "write_workbook"]
