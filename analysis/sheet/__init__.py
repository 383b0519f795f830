"""A bench sheet to print and a workbook to fill in, made from the workshop's procedure."""

from analysis.sheet.bench import write_bench_sheet
from analysis.sheet.workbook import write_to_do, write_workbook
