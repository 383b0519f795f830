"""The workbook: lists and limits in cells, comments with units, headings that stay in view."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import pytest

from analysis.sheet import write_workbook
from analysis.standard import built_in
from schemas import LOG_TABLES, Entry, field_entries

MAIN = {"m": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    path: Path = tmp_path_factory.mktemp("book") / "bench_log.xlsx"
    write_workbook(path, built_in())
    return zipfile.ZipFile(path)


def sheet(book: zipfile.ZipFile, table: str) -> ElementTree.Element:
    names = [
        one.get("name") for one in ElementTree.fromstring(book.read("xl/workbook.xml")).iterfind(".//m:sheet", MAIN)
    ]
    return ElementTree.fromstring(book.read(f"xl/worksheets/sheet{names.index(table) + 1}.xml"))


def rules(book: zipfile.ZipFile, table: str) -> dict[str, ElementTree.Element]:
    """Data validation rules by field."""
    columns = list(LOG_TABLES[table].to_schema().columns)
    rules_by_field = {}
    for rule in sheet(book, table).iterfind(".//m:dataValidation", MAIN):
        letters = re.match(r"[A-Z]+", str(rule.get("sqref")))
        assert letters
        number = 0
        for letter in letters[0]:
            number = 26 * number + ord(letter) - 64
        rules_by_field[columns[number - 1]] = rule
    return rules_by_field


def formula(rule: ElementTree.Element, number: int) -> str:
    return str(rule.findtext(f"m:formula{number}", namespaces=MAIN))


@pytest.mark.parametrize("table", LOG_TABLES)
def test_headings_are_the_field_names_and_stay_in_view(book: zipfile.ZipFile, table: str) -> None:
    pane = sheet(book, table).find(".//m:pane", MAIN)
    assert pane is not None
    assert (pane.get("ySplit"), pane.get("state")) == ("1", "frozen")
    words = [
        "".join(one.itertext())
        for one in ElementTree.fromstring(book.read("xl/sharedStrings.xml")).iterfind("m:si", MAIN)
    ]
    row = sheet(book, table).find(".//m:row", MAIN)
    assert row is not None
    assert [words[int(str(cell.findtext("m:v", namespaces=MAIN)))] for cell in row] == list(
        LOG_TABLES[table].to_schema().columns
    )


@pytest.mark.parametrize("table", LOG_TABLES)
def test_every_level_and_limit_of_the_models_is_a_cell_rule(book: zipfile.ZipFile, table: str) -> None:
    cell_rules = rules(book, table)
    for entry in field_entries(table, LOG_TABLES[table]):
        assert_guarded(entry, cell_rules)


def assert_guarded(entry: Entry, cell_rules: dict[str, ElementTree.Element]) -> None:
    if entry.levels:
        assert formula(cell_rules[entry.name], 1) == f'"{",".join(entry.levels)}"'
    elif entry.type == "true/false":
        assert formula(cell_rules[entry.name], 1) == '"TRUE,FALSE"'
    elif entry.low is not None and entry.high is not None:
        assert [float(formula(cell_rules[entry.name], place)) for place in (1, 2)] == [entry.low, entry.high]
        assert cell_rules[entry.name].get("type") == ("whole" if entry.type == "whole number" else "decimal")
    elif entry.low is not None:
        assert float(formula(cell_rules[entry.name], 1)) == entry.low


def test_comments_on_the_headings_give_unit_range_and_step(book: zipfile.ZipFile) -> None:
    notes = " ".join(
        "".join(ElementTree.fromstring(book.read(name)).itertext())
        for name in book.namelist()
        if name.startswith("xl/comments")
    )
    for words in ("40 to 130 mm", "75–80 mm", "At least 2 push-pull passes", "Required", "Leave blank"):
        assert words in notes, words


def test_it_is_written_where_no_temporary_file_can_be_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise FileNotFoundError(2, "No usable temporary directory found")

    for way in ("mkstemp", "mkdtemp", "TemporaryFile", "NamedTemporaryFile"):
        monkeypatch.setattr(f"tempfile.{way}", refused)
    write_workbook(tmp_path / "bench_log.xlsx", built_in())
    assert zipfile.is_zipfile(tmp_path / "bench_log.xlsx")
