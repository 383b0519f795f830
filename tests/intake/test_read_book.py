"""Workbooks: every sheet a table, numbers exact, dates as dates, hostile archives refused before they are opened.

Sources: the sheets are written by xlsxwriter, the OpenDocument one by hand after OpenDocument 1.3 (OASIS), part 3.
"""

from __future__ import annotations

import datetime as dt
import io
import os
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import xlsxwriter

from analysis.errors import UserError
from analysis.intake.readers.excel import workbook_tables
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.library_failures import CrashGuard
from analysis.intake.readers.raw_table import ROW, RawTable, SkippedFile
from analysis.intake.readers.sources import raw_tables


def book(*rows: list, start: tuple[int, int] = (0, 0), name: str = "Bleeds", more: tuple[str, ...] = ()) -> bytes:
    data = io.BytesIO()
    workbook = xlsxwriter.Workbook(data, {"in_memory": True, "default_date_format": "yyyy-mm-dd hh:mm"})
    sheet = workbook.add_worksheet(name)
    for place, row in enumerate(rows):
        for column, cell in enumerate(row):
            if cell is not None:
                sheet.write(start[0] + place, start[1] + column, cell)
    for other in more:
        workbook.add_worksheet(other)
    workbook.close()
    return data.getvalue()


def snap(data: bytes, label: str = "book.xlsx") -> Snapshot:
    return Snapshot(label, data, "0" * 64)


def table(data: bytes) -> RawTable:
    (found,) = workbook_tables(snap(data)).tables
    return found


def test_numbers_are_exact_and_text_stays_text() -> None:
    found = table(
        book(
            ["id", "code", "x", "n", "mixed"],
            ["a", "007", 0.12345678901234, 2, 1.123456789012],
            ["b", "1,5", 1e-9, 3, "n/a"],
        )
    )
    assert found.file == "book.xlsx#Bleeds"
    assert found.cells.rows() == [
        (2, "a", "007", 0.12345678901234, 2, "1.123456789012"),
        (3, "b", "1,5", 1e-9, 3, "n/a"),
    ]


def test_a_date_without_a_time_is_a_day_and_one_with_a_time_a_moment() -> None:
    found = table(book(["id", "at"], ["a", dt.datetime(2024, 1, 5)], ["b", dt.datetime(2024, 1, 5, 10, 30)]))
    assert found.cells["at"].to_list() == ["2024-01-05", "2024-01-05 10:30:00"]


def test_rows_are_the_sheets_own_with_titles_blank_rows_and_an_offset_counted() -> None:
    rows = (
        ["Workshop", None, None],
        [None] * 3,
        ["id", "brake", "minutes"],
        ["a", "front", 35],
        [None] * 3,
        ["b", "rear", 40],
    )
    found = table(book(*rows, ["Total", None, 75], start=(4, 2)))
    assert found.headings == ["id", "brake", "minutes"]
    assert found.cells.rows() == [(8, "a", "front", 35), (10, "b", "rear", 40)]
    assert found.notes == ("totals, not read as data: row 11",)


def test_every_sheet_is_a_table_hidden_ones_too_and_empty_ones_are_told() -> None:
    data = io.BytesIO()
    workbook = xlsxwriter.Workbook(data, {"in_memory": True})
    for name, hide in (("Bleeds", "shown"), ("Returns", "hidden"), ("Old", "very")):
        sheet = workbook.add_worksheet(name)
        sheet.write_row(0, 0, ["id", "n"])
        sheet.write_row(1, 0, [name, 1])
        if hide != "shown":
            sheet.hide() if hide == "hidden" else sheet.very_hidden()
    workbook.add_worksheet("Empty")
    workbook.add_chartsheet("Chart")
    workbook.close()
    found = workbook_tables(snap(data.getvalue()))
    assert [each.file for each in found.tables] == ["book.xlsx#Bleeds", "book.xlsx#Returns", "book.xlsx#Old"]
    assert found.skipped == (
        SkippedFile("book.xlsx#Empty", "an empty sheet"),
        SkippedFile("book.xlsx#Chart", "an empty sheet"),
    )


def test_one_sheet_can_be_named(tmp_path: Path) -> None:
    path = tmp_path / "a#b.xlsx"
    path.write_bytes(book(["id"], ["a"], more=("Other",)))
    (found,) = raw_tables([f"{path}#Bleeds"]).tables
    assert found.file == f"{path}#Bleeds"
    with pytest.raises(UserError, match="one of Bleeds, Other"):
        raw_tables([f"{path}#bleeds"])


def test_headings_alone_are_a_table_without_rows_and_nothing_at_all_is_refused(tmp_path: Path) -> None:
    assert table(book(["id", "brake"])).rows_read == 0
    (tmp_path / "empty.xlsx").write_bytes(book())
    with pytest.raises(UserError, match="without a filled cell"):
        raw_tables([str(tmp_path / "empty.xlsx")])


def test_a_formula_counts_as_its_value_and_an_error_as_empty() -> None:
    data = io.BytesIO()
    workbook = xlsxwriter.Workbook(data, {"in_memory": True})
    sheet = workbook.add_worksheet("S")
    sheet.write_row(0, 0, ["id", "n", "m"])
    sheet.write_row(1, 0, ["a"])
    sheet.write_formula(1, 1, "=1+1", None, 2)
    sheet.write_formula(1, 2, "=1/0", None, "#DIV/0!")
    workbook.close()
    assert table(data.getvalue()).cells.rows() == [(2, "a", 2, None)]


def test_a_column_of_whole_numbers_has_no_decimals_and_one_with_text_keeps_both() -> None:
    found = table(book(["id", "n"], [1, 2], ["x", 3]))
    assert found.cells.rows() == [(2, "1", 2), (3, "x", 3)]


def test_an_opendocument_sheet_is_read(tmp_path: Path) -> None:
    cells = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{name}</text:p></table:table-cell>'
        for name in ("id", "at", "n")
    )
    values = (
        '<table:table-cell office:value-type="string"><text:p>a</text:p></table:table-cell>'
        '<table:table-cell office:value-type="date" office:date-value="2024-01-05"><text:p>05.01.24</text:p></table:table-cell>'
        '<table:table-cell office:value-type="float" office:value="1.25"><text:p>1,25</text:p></table:table-cell>'
    )
    names = " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"' for short in ("office", "table", "text")
    )
    content = (
        f'<?xml version="1.0"?><office:document-content {names} office:version="1.3"><office:body><office:spreadsheet>'
        f'<table:table table:name="Bleeds"><table:table-row>{cells}</table:table-row><table:table-row>{values}</table:table-row>'
        "</table:table></office:spreadsheet></office:body></office:document-content>"
    )
    path = tmp_path / "log.ods"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        archive.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
        )
    (found,) = raw_tables([str(path)]).tables
    assert found.cells.rows() == [(2, "a", "2024-01-05", 1.25)]


def bomb() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in range(3):
            archive.writestr(f"xl/worksheets/sheet{part}.xml", b"<" * 60_000_000)
    return data.getvalue()


def lying_bomb() -> bytes:
    """A bomb that declares each of its members to be of one byte."""
    data = bytearray(bomb())
    size = (60_000_000).to_bytes(4, "little")
    return bytes(data.replace(size, (1).to_bytes(4, "little")))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (bomb(), "unpacks to more than"),
        (lying_bomb(), "damaged"),
        (book(["id"], ["a"])[:-400], "damaged"),
        (book(["id"], ["a"])[:1000], "damaged"),
        (b"id,n\na,1\n", "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600) + "EncryptedPackage".encode("utf-16-le"), "password"),
    ],
    ids=["bomb", "lying bomb", "cut at the end", "cut early", "text", "old and damaged", "locked"],
)
def test_a_hostile_or_damaged_book_is_refused(data: bytes, said: str) -> None:
    with pytest.raises(UserError, match=said):
        workbook_tables(snap(data))


def test_a_book_with_a_damaged_sheet_is_refused() -> None:
    whole = zipfile.ZipFile(io.BytesIO(book(["id"], ["a"])))
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for name in whole.namelist():
            content = whole.read(name)
            archive.writestr(name, content[: len(content) // 2] if "sheet1.xml" in name else content)
    with pytest.raises(UserError):
        workbook_tables(snap(data.getvalue()))


def test_row_numbers_stand_first() -> None:
    assert table(book(["id"], ["a"])).cells.columns == [ROW, "id"]


LOG = (["session_id", "bike_id", "brake", "technician", "started_at"], ["S1", "B1", "front", "Wren", "2025-01-05"])


@pytest.mark.parametrize("place", [(1_048_575, 16_383), (1_048_575, 99)])
def test_a_book_with_a_cell_far_away_is_refused_before_it_is_opened(place: tuple[int, int]) -> None:
    """5 kB that would take tens of GB."""
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"in_memory": True}) as workbook:
        sheet = workbook.add_worksheet()
        for row, cells in enumerate(LOG):
            sheet.write_row(row, 0, cells)
        sheet.write(*place, "x")
    with pytest.raises(UserError, match="filled cells that reaches to row 1,048,576"):
        workbook_tables(snap(data.getvalue()))


def test_a_book_formatted_far_away_or_filled_from_a_to_cv_is_read() -> None:
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"in_memory": True}) as workbook:
        sheet = workbook.add_worksheet()
        for row, cells in enumerate(LOG):
            sheet.write_row(row, 0, cells)
        sheet.write_row(0, 50, [f"more {place}" for place in range(50)])
        sheet.write_blank(1_048_575, 16_383, None, workbook.add_format({"bold": True}))
    (found,) = workbook_tables(snap(data.getvalue())).tables
    assert found.cells.height == 1
    assert len(found.headings) == 55


def test_a_book_whose_cells_cannot_be_weighed_is_opened_by_another_process_first() -> None:
    far = io.BytesIO()
    with xlsxwriter.Workbook(far, {"in_memory": True}) as workbook:
        workbook.add_worksheet().write(1_048_575, 16_383, "x")
        workbook.worksheets()[0].write(0, 0, "x")
    with CrashGuard() as guard:
        guard.reject_if_crashes(snap(book(*LOG)), "workbook")
        with pytest.raises(UserError, match="too large for this machine's memory"):
            guard.reject_if_crashes(snap(far.getvalue()), "workbook")


def test_numbers_that_may_be_days_of_a_book_that_counts_from_1904_are_reported() -> None:
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"in_memory": True, "date_1904": True}) as workbook:
        sheet = workbook.add_worksheet()
        day = workbook.add_format({"num_format": "yyyy-mm-dd"})
        sheet.write_row(0, 0, ["id", "started_at", "returned_at"])
        sheet.write_row(1, 0, ["a", 44_200])
        sheet.write_datetime(1, 2, dt.datetime(2025, 1, 5), day)
    (found,) = workbook_tables(snap(data.getvalue())).tables
    assert found.cells["returned_at"].to_list() == ["2025-01-05"]
    (note,) = found.notes
    assert "1904" in note
    assert "'started_at'" in note


def test_books_read_in_three_threads_leave_standard_error_in_its_place() -> None:
    data = book(*LOG)
    before = os.fstat(2)
    with ThreadPoolExecutor(3) as threads:
        found = list(threads.map(lambda _: table(data).cells.height, range(120)))
    assert found == [1] * 120
    assert os.path.samestat(before, os.fstat(2))


def test_a_book_is_read_where_no_temporary_file_can_be_made(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise FileNotFoundError(2, "No usable temporary directory found")

    monkeypatch.setattr("tempfile.TemporaryFile", refused)
    assert table(book(*LOG)).cells.height == 1
