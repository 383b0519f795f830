"""The workbook to fill in: the log's own headings with lists, limits and units, so that no map is needed."""

from __future__ import annotations

import datetime as dt
import io
from pathlib import Path

import xlsxwriter
from pandera.typing.polars import DataFrame
from xlsxwriter.workbook import Format
from xlsxwriter.worksheet import Worksheet

from analysis.sheet.bench import sheet_label, target_with_unit
from analysis.standard import Standard, own_fields
from schemas import LOG_TABLES, Entry, field_entries
from schemas.log import Actions

ROWS_WITH_RULES = 2000
"""Rows whose cells have lists and limits; more rows may be added below."""
SHEETS = ("sessions", "comebacks", "passes", "technicians", "coaching", "measures", "brakes", "actions")
FIRST_DAY_SERIAL = 32874
"""1990-01-01 as the day number of a spreadsheet."""


def write_workbook(path: Path, standard: Standard) -> None:
    """Write an empty log as a workbook: one sheet per log table, one column per field.

    Headings are the field names and stay in view; the comment on each gives its meaning, unit, range, and the steps of
    the procedure that use it. Cells accept only values of the field's list or range. An existing file is replaced.
    """
    content = io.BytesIO()  # no temporary files, and the disk's own errors
    book = xlsxwriter.Workbook(content, {"in_memory": True})
    formats = _Formats(book)
    for name in SHEETS:
        own = _own_entries(standard) if name == "sessions" else []
        _fill_sheet(book.add_worksheet(name), [*field_entries(name, LOG_TABLES[name]), *own], standard, formats)
    book.close()
    path.write_bytes(content.getvalue())


def write_to_do(path: Path, to_do: DataFrame[Actions], day: dt.date) -> None:
    """Write the list of an audit as a workbook with one sheet, `to do`, to be filled in and read by the next audit.

    The file is dated on `day`, the last day of the audit.
    """
    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {"in_memory": True})
    book.set_properties({"created": dt.datetime.combine(day, dt.time())})
    formats = _Formats(book)
    sheet = book.add_worksheet("to do")
    _fill_sheet(sheet, field_entries("actions", Actions), None, formats)
    for line, row in enumerate(to_do.iter_rows(), 1):
        for column, value in enumerate(row):
            if isinstance(value, dt.date):
                sheet.write_datetime(line, column, dt.datetime.combine(value, dt.time()), formats.day)
            elif isinstance(value, str):
                sheet.write_string(line, column, value)
            elif value is not None:
                sheet.write_number(line, column, value)
    book.close()
    path.write_bytes(content.getvalue())


class _Formats:
    """Cell formats of the workbook."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self.required: Format = book.add_format({"bold": True, "bottom": 2, "bg_color": "#E4DCC8", "text_wrap": True})
        self.optional: Format = book.add_format({"bottom": 2, "bg_color": "#F4F1EA", "text_wrap": True})
        self.day: Format = book.add_format({"num_format": "yyyy-mm-dd"})
        self.moment: Format = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        self.text: Format = book.add_format({"num_format": "@"})


def _own_entries(standard: Standard) -> list[Entry]:
    """Columns for the workshop's own fields that the procedure reads."""
    return [
        Entry("sessions", name, name, kind, "", "", "", "", False, None, None, (), "custom field")
        for name, kind in own_fields(standard).items()
    ]


def _fill_sheet(sheet: Worksheet, entries: list[Entry], standard: Standard | None, formats: _Formats) -> None:
    sheet.freeze_panes(1, 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    for column, entry in enumerate(entries):
        sheet.write_string(0, column, entry.name, formats.required if entry.required else formats.optional)
        sheet.write_comment(0, column, _heading_comment(entry, standard), {"x_scale": 2})
        cell_format = {"date": formats.day, "date or date-time": formats.moment, "text": formats.text}.get(entry.type)
        sheet.set_column(column, column, max(11, len(entry.name) + 2), cell_format)
        rule = _cell_validation(entry)
        if rule is not None:
            sheet.data_validation(1, column, ROWS_WITH_RULES, column, rule)


def _heading_comment(entry: Entry, standard: Standard | None) -> str:
    """Label, description, values with their unit, steps that use the field, and whether it is required."""
    fields = {field.name: field for field in field_entries("sessions", LOG_TABLES["sessions"])}
    lines = [entry.label[:1].upper() + entry.label[1:]]
    lines += [entry.description] if entry.description != entry.label else []
    lines += [_allowed_values_text(entry)] if entry.range else []
    lines += [
        f"Step: {step.title} ({target_with_unit(step, fields)})"
        for step in (standard.steps if standard else ())
        if step.field == entry.name and entry.table == "sessions"
    ]
    lines.append("Required" if entry.required else "Leave blank if not recorded")
    return "\n".join(lines)


def _allowed_values_text(entry: Entry) -> str:
    """`2 to 480 min`, `front, rear`."""
    if entry.unit == "fraction":
        return f"{entry.range} (0.75 is 75%{' full' if entry.name.endswith('_fill') else ''})"
    return entry.range if entry.unit in ("", "currency") else f"{entry.range} {entry.unit}"


def _cell_validation(entry: Entry) -> dict[str, object] | None:
    message = {
        "error_title": sheet_label(entry)[:32],
        "error_message": f"Allowed: {_allowed_values_text(entry) if entry.range else entry.type}"[:255],
    }
    if entry.levels:
        return {"validate": "list", "source": list(entry.levels), **message}
    if entry.type == "true/false":
        return {"validate": "list", "source": ["TRUE", "FALSE"], **message}
    if entry.type in ("date", "date or date-time"):
        return {"validate": "decimal", "criteria": ">=", "value": FIRST_DAY_SERIAL, **message}
    if entry.low is None:
        return None
    kind = "integer" if entry.type == "whole number" else "decimal"
    if entry.high is None:
        return {"validate": kind, "criteria": ">=", "value": entry.low, **message}
    return {"validate": kind, "criteria": "between", "minimum": entry.low, "maximum": entry.high, **message}
