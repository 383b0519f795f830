"""Foreign exports of a made log: four shops' manners for trying intake, and the co-operative's own."""

from __future__ import annotations

from synthetic.exports.abbreviated import SQLITE_SHOP
from synthetic.exports.bench_book import BENCH_BOOK
from synthetic.exports.export import ExportResult, write_export
from synthetic.exports.export_format import ExportFormat
from synthetic.exports.french import FRENCH_TAB
from synthetic.exports.german import GERMAN_CSV
from synthetic.exports.inches import INCH_WORKBOOK

EXPORT_FORMATS: dict[str, ExportFormat] = {
    manner.name: manner for manner in (BENCH_BOOK, GERMAN_CSV, INCH_WORKBOOK, FRENCH_TAB, SQLITE_SHOP)
}

__all__ = ["EXPORT_FORMATS", "ExportFormat", "ExportResult", "write_export"]
