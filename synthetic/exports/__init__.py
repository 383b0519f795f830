"""Exports of a simulated log in other formats: four for testing intake, and that of the demo."""

from __future__ import annotations

from synthetic.exports.abbreviated import SQLITE_SHOP
from synthetic.exports.bench_book import BENCH_BOOK
from synthetic.exports.export import ExportResult, write_export
from synthetic.exports.export_format import ExportFormat
from synthetic.exports.french import FRENCH_TAB
from synthetic.exports.german import GERMAN_CSV
from synthetic.exports.inches import INCH_WORKBOOK

EXPORT_FORMATS: dict[str, ExportFormat] = {
    export_format.name: export_format
    for export_format in (BENCH_BOOK, GERMAN_CSV, INCH_WORKBOOK, FRENCH_TAB, SQLITE_SHOP)
}
