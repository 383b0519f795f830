"""Write rows to text files, workbooks and databases."""

from __future__ import annotations

import datetime as dt
import io
import sqlite3
from pathlib import Path

import xlsxwriter

from synthetic.exports.export_format import ExportFormat, ExportSheet
from synthetic.exports.foreign_rows import Cell, Row


def first_data_row(sheet: ExportSheet, export_format: ExportFormat) -> int:
    """Row number of the first data row, counting titles, a blank line and headings; 1 in a database."""
    if export_format.kind(sheet) == "database":
        return 1
    return len(sheet.titles) + (1 if sheet.titles else 0) + 2


def write_text(path: Path, sheet: ExportSheet, export_format: ExportFormat, rows: list[Row]) -> None:
    """Write a delimited file with titles, headings, rows and a totals line."""
    lines: list[tuple[Cell, ...]] = [(title,) for title in sheet.titles]
    lines += [()] if sheet.titles else []
    lines.append(tuple(column.heading for column in sheet.columns))
    lines += [row.cells for row in rows]
    if sheet.totals:
        lines.append((sheet.totals, f"{len(rows)}", *[None] * (len(sheet.columns) - 2)))
    text = (
        "\r\n".join(export_format.delimiter.join(_quote_cell(cell, export_format) for cell in line) for line in lines)
        + "\r\n"
    )
    encoding = "utf-8-sig" if export_format.bom else export_format.encoding
    path.write_bytes(text.encode(encoding))


def write_export_workbook(path: Path, export_format: ExportFormat, sheets: list[tuple[ExportSheet, list[Row]]]) -> None:
    """Write one workbook with several sheets."""
    content = io.BytesIO()  # no temporary files, and the disk's own errors
    options = {"default_date_format": "yyyy-mm-dd hh:mm", "strings_to_formulas": False, "in_memory": True}
    with xlsxwriter.Workbook(content, options) as book:
        book.set_properties({"created": dt.datetime(2026, 1, 1)})
        for sheet, rows in sheets:
            page = book.add_worksheet(sheet.sheet_name)
            for line, title in enumerate(sheet.titles):
                page.write_string(line, 0, title)
            top = first_data_row(sheet, export_format) - 1
            page.write_row(top - 1, 0, [column.heading for column in sheet.columns])
            for line, row in enumerate(rows):
                for at, cell in enumerate(row.cells):
                    if cell is not None:
                        page.write(top + line, at, cell)
    path.write_bytes(content.getvalue())


def write_database(path: Path, sheets: list[tuple[ExportSheet, list[Row]]]) -> None:
    """Write one SQLite file with several tables; columns have no declared type, so that any value fits."""
    path.unlink(missing_ok=True)
    with sqlite3.connect(path) as connection:
        for sheet, rows in sheets:
            names = ", ".join(f'"{column.heading}"' for column in sheet.columns)
            connection.execute(f'CREATE TABLE "{sheet.sheet_name}" ({names})')
            marks = ", ".join("?" for _ in sheet.columns)
            cells = ([_database_cell(cell) for cell in row.cells] for row in rows)
            connection.executemany(f'INSERT INTO "{sheet.sheet_name}" VALUES ({marks})', cells)
    connection.close()


def _database_cell(cell: Cell) -> Cell:
    if isinstance(cell, dt.datetime):
        return cell.isoformat(" ")
    return cell.isoformat() if isinstance(cell, dt.date) else cell


def _quote_cell(cell: Cell, export_format: ExportFormat) -> str:
    text = "" if cell is None else str(cell)
    special = any(mark in text for mark in (export_format.delimiter, '"', "\n"))
    return '"' + text.replace('"', '""') + '"' if special else text
