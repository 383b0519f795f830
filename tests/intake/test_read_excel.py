"""Workbooks: each sheet is a table, numbers and dates are exact, hostile archives are refused before they are opened.

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
    (result,) = workbook_tables(snap(data)).tables
    return result


def test_numbers_are_exact_and_text_stays_text() -> None:
    result = table(
        book(
            ["id", "code", "x", "n", "mixed"],
            ["a", "007", 0.12345678901234, 2, 1.123456789012],
            ["b", "1,5", 1e-9, 3, "n/a"],
        )
    )
    assert result.file == "book.xlsx#Bleeds"
    assert result.cells.rows() == [
        (2, "a", "007", 0.12345678901234, 2, "1.123456789012"),
        (3, "b", "1,5", 1e-9, 3, "n/a"),
    ]


def test_a_date_without_a_time_is_a_day_and_one_with_a_time_keeps_it() -> None:
    result = table(book(["id", "at"], ["a", dt.datetime(2024, 1, 5)], ["b", dt.datetime(2024, 1, 5, 10, 30)]))
    assert result.cells["at"].to_list() == ["2024-01-05", "2024-01-05 10:30:00"]


def test_row_numbers_are_those_of_the_sheet_whatever_precedes_the_table() -> None:
    rows = (
        ["Workshop", None, None],
        [None] * 3,
        ["id", "brake", "minutes"],
        ["a", "front", 35],
        [None] * 3,
        ["b", "rear", 40],
    )
    result = table(book(*rows, ["Total", None, 75], start=(4, 2)))
    assert result.headings == ["id", "brake", "minutes"]
    assert result.cells.rows() == [(8, "a", "front", 35), (10, "b", "rear", 40)]
    assert result.notes == ("totals, not read as data: row 11",)


def test_every_sheet_is_a_table_even_if_hidden_and_empty_ones_are_listed() -> None:
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
    result = workbook_tables(snap(data.getvalue()))
    assert [each.file for each in result.tables] == ["book.xlsx#Bleeds", "book.xlsx#Returns", "book.xlsx#Old"]
    assert result.skipped == (
        SkippedFile("book.xlsx#Empty", "an empty sheet"),
        SkippedFile("book.xlsx#Chart", "an empty sheet"),
    )


def test_one_sheet_can_be_named(tmp_path: Path) -> None:
    path = tmp_path / "a#b.xlsx"
    path.write_bytes(book(["id"], ["a"], more=("Other",)))
    (result,) = raw_tables([f"{path}#Bleeds"]).tables
    assert result.file == f"{path}#Bleeds"
    with pytest.raises(UserError, match="one of Bleeds, Other"):
        raw_tables([f"{path}#bleeds"])


def test_a_sheet_of_headings_has_no_rows_and_an_empty_workbook_is_refused(tmp_path: Path) -> None:
    assert table(book(["id", "brake"])).rows_read == 0
    (tmp_path / "empty.xlsx").write_bytes(book())
    with pytest.raises(UserError, match="without a filled cell"):
        raw_tables([str(tmp_path / "empty.xlsx")])


def test_a_formula_is_read_as_its_value_and_an_error_as_empty() -> None:
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
    result = table(book(["id", "n"], [1, 2], ["x", 3]))
    assert result.cells.rows() == [(2, "1", 2), (3, "x", 3)]


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
    path.write_bytes(opendocument(content))
    (result,) = raw_tables([str(path)]).tables
    assert result.cells.rows() == [(2, "a", "2024-01-05", 1.25)]


def opendocument(content: str) -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        archive.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
        )
    return data.getvalue()


def far_sheet(last_cell: str) -> bytes:
    """A sheet with three cells at its beginning and one at row 1,048,576 and column 16,384."""
    names = " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"' for short in ("office", "table", "text")
    )
    cells = '<table:table-cell office:value-type="string"><text:p>a &gt; b</text:p></table:table-cell>' * 3
    return opendocument(
        f'<?xml version="1.0"?><office:document-content {names} office:version="1.3"><office:body><office:spreadsheet>'
        f'<table:table table:name="B"><table:table-row>{cells}</table:table-row><table:table-row>{cells}</table:table-row>'
        '<table:table-row table:number-rows-repeated="1048573"><table:table-cell/></table:table-row>'
        f'<table:table-row><table:table-cell table:number-columns-repeated="16383"/>{last_cell}</table:table-row>'
        "</table:table></office:spreadsheet></office:body></office:document-content>"
    )


def test_an_opendocument_sheet_with_one_cell_far_away_is_weighed_before_it_is_opened() -> None:
    filled = '<table:table-cell office:value-type="float" office:value="1"><text:p>1</text:p></table:table-cell>'
    with pytest.raises(UserError, match=r"7 filled cells that reaches to row 1,048,576 and column 16,384"):
        workbook_tables(snap(far_sheet(filled), "log.ods"))


def test_a_distant_cell_with_a_format_alone_does_not_matter() -> None:
    (result,) = workbook_tables(snap(far_sheet('<table:table-cell table:style-name="ce1"/>'), "log.ods")).tables
    assert result.cells.height == 1


def bomb() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in range(3):
            archive.writestr(f"xl/worksheets/sheet{part}.xml", b"<" * 60_000_000)
    return data.getvalue()


def lying_bomb() -> bytes:
    """A bomb that declares one byte for each of its members."""
    data = bytearray(bomb())
    size = (60_000_000).to_bytes(4, "little")
    return bytes(data.replace(size, (1).to_bytes(4, "little")))


@pytest.mark.parametrize(
    ("data", "message"),
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
def test_a_hostile_or_damaged_workbook_is_refused(data: bytes, message: str) -> None:
    with pytest.raises(UserError, match=message):
        workbook_tables(snap(data))


def test_a_workbook_with_a_damaged_sheet_is_refused() -> None:
    whole = zipfile.ZipFile(io.BytesIO(book(["id"], ["a"])))
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for name in whole.namelist():
            content = whole.read(name)
            archive.writestr(name, content[: len(content) // 2] if "sheet1.xml" in name else content)
    with pytest.raises(UserError):
        workbook_tables(snap(data.getvalue()))


def test_the_row_number_is_the_first_column() -> None:
    assert table(book(["id"], ["a"])).cells.columns == [ROW, "id"]


LOG = (["session_id", "bike_id", "brake", "technician", "started_at"], ["S1", "B1", "front", "Wren", "2025-01-05"])


@pytest.mark.parametrize("place", [(1_048_575, 16_383), (1_048_575, 99), (1_048_575, 25)])
def test_a_workbook_with_a_distant_cell_is_refused_before_it_is_opened(place: tuple[int, int]) -> None:
    """A file of 5 kB that would take tens of GB."""
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"in_memory": True}) as workbook:
        sheet = workbook.add_worksheet()
        for row, cells in enumerate(LOG):
            sheet.write_row(row, 0, cells)
        sheet.write(*place, "x")
    with pytest.raises(UserError, match="filled cells that reaches to row 1,048,576"):
        workbook_tables(snap(data.getvalue()))


def test_a_workbook_with_a_distant_format_or_a_hundred_columns_is_read() -> None:
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"in_memory": True}) as workbook:
        sheet = workbook.add_worksheet()
        for row, cells in enumerate(LOG):
            sheet.write_row(row, 0, cells)
        sheet.write_row(0, 50, [f"more {place}" for place in range(50)])
        sheet.write_blank(1_048_575, 16_383, None, workbook.add_format({"bold": True}))
    (result,) = workbook_tables(snap(data.getvalue())).tables
    assert result.cells.height == 1
    assert len(result.headings) == 55


def test_a_workbook_too_large_for_the_memory_is_refused_by_a_worker_process() -> None:
    far = io.BytesIO()
    with xlsxwriter.Workbook(far, {"in_memory": True}) as workbook:
        workbook.add_worksheet().write(1_048_575, 16_383, "x")
        workbook.worksheets()[0].write(0, 0, "x")
    with CrashGuard() as guard:
        guard.reject_if_crashes(snap(book(*LOG)), "workbook")
        with pytest.raises(UserError, match="too large for this machine's memory"):
            guard.reject_if_crashes(snap(far.getvalue()), "workbook")


def test_possible_days_of_a_workbook_that_counts_from_1904_are_reported() -> None:
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"in_memory": True, "date_1904": True}) as workbook:
        sheet = workbook.add_worksheet()
        day = workbook.add_format({"num_format": "yyyy-mm-dd"})
        sheet.write_row(0, 0, ["id", "started_at", "returned_at"])
        sheet.write_row(1, 0, ["a", 44_200])
        sheet.write_datetime(1, 2, dt.datetime(2025, 1, 5), day)
    (result,) = workbook_tables(snap(data.getvalue())).tables
    assert result.cells["returned_at"].to_list() == ["2025-01-05"]
    (note,) = result.notes
    assert "1904" in note
    assert "'started_at'" in note


def test_standard_error_is_restored_after_reading_in_three_threads() -> None:
    data = book(*LOG)
    before = os.fstat(2)
    with ThreadPoolExecutor(3) as threads:
        result = list(threads.map(lambda _: table(data).cells.height, range(120)))
    assert result == [1] * 120
    assert os.path.samestat(before, os.fstat(2))


def test_a_workbook_is_read_without_a_temporary_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise FileNotFoundError(2, "No usable temporary directory found")

    monkeypatch.setattr("tempfile.TemporaryFile", fail)
    assert table(book(*LOG)).cells.height == 1
