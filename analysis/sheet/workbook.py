"""The spreadsheet to fill: the log's own headings, with lists, limits and units, so that it reads back unmapped."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter
from xlsxwriter.workbook import Format
from xlsxwriter.worksheet import Worksheet

from analysis.standard import Standard, own_fields, target_text
from schemas import LOG_TABLES, Entry, dictionary

ROWS_READY = 2000
"""Rows whose cells carry lists and limits; more may be added below."""
SHEETS = ("sessions", "comebacks", "passes", "technicians", "coaching", "brakes")
FIRST_DAY_SERIAL = 32874
"""1990-01-01 as a spreadsheet's day number."""


def write_workbook(path: Path, standard: Standard) -> None:
    """Write an empty log as a workbook: one sheet a log table, one column a field.

    Headings are the canonical names and stay frozen; the note on each says what it means, its unit and range, and the
    step of the shop's standard it decides. Cells refuse values outside the field's list or range.

    Parameters
    ----------
    path
        The .xlsx to write; an existing file is replaced.
    standard
        The shop's standard, whose steps are told in the headings' notes.
    """
    book = xlsxwriter.Workbook(path, {"in_memory": True})  # no temporary files
    looks = _Looks(book)
    for name in SHEETS:
        own = _own_entries(standard) if name == "sessions" else []
        _fill_sheet(book.add_worksheet(name), [*dictionary(name, LOG_TABLES[name]), *own], standard, looks)
    book.close()


class _Looks:
    """The few cell formats of the workbook, by what they are for."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self.required: Format = book.add_format({"bold": True, "bottom": 2, "bg_color": "#E4DCC8", "text_wrap": True})
        self.optional: Format = book.add_format({"bottom": 2, "bg_color": "#F4F1EA", "text_wrap": True})
        self.day: Format = book.add_format({"num_format": "yyyy-mm-dd"})
        self.moment: Format = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        self.text: Format = book.add_format({"num_format": "@"})


def _own_entries(standard: Standard) -> list[Entry]:
    """Columns for the shop's own fields that its standard reads."""
    return [
        Entry("sessions", name, kind, "", "", "", False, None, None, (), "the shop's own field")
        for name, kind in own_fields(standard).items()
    ]


def _fill_sheet(sheet: Worksheet, entries: list[Entry], standard: Standard, looks: _Looks) -> None:
    sheet.freeze_panes(1, 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    for column, entry in enumerate(entries):
        sheet.write_string(0, column, entry.name, looks.required if entry.required else looks.optional)
        sheet.write_comment(0, column, _note(entry, standard), {"x_scale": 2})
        look = {"date": looks.day, "date or date-time": looks.moment, "text": looks.text}.get(entry.type)
        sheet.set_column(column, column, max(11, len(entry.name) + 2), look)
        rule = _rule(entry)
        if rule is not None:
            sheet.data_validation(1, column, ROWS_READY, column, rule)


def _note(entry: Entry, standard: Standard) -> str:
    lines = [entry.description + (f", in {entry.unit}" if entry.unit else "")]
    lines += [entry.range] if entry.range else []
    lines += [
        f"step: {step.title} ({target_text(step)})"
        for step in standard.steps
        if step.field == entry.name and entry.table == "sessions"
    ]
    lines.append("must be filled" if entry.required else "leave empty if not recorded")
    return "\n".join(lines)


def _rule(entry: Entry) -> dict[str, object] | None:
    message = {"error_title": entry.name, "error_message": f"Allowed: {entry.range or entry.type}"[:255]}
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
