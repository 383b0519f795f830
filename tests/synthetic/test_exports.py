"""Foreign exports say where every flaw lies, and hold the log's own values in their own words."""

import sqlite3
from dataclasses import replace
from functools import cache

import polars as pl
import pytest

from schemas.outputs import ACTIONS, RULES
from synthetic import EXPORT_FORMATS, scenario_workshop, simulate, write_export


@cache
def log():
    return simulate(replace(scenario_workshop("base", 900), passes_share=0.3), 5)


@pytest.fixture(params=EXPORT_FORMATS, scope="module")
def manner(request):
    return EXPORT_FORMATS[request.param]


@pytest.fixture(scope="module")
def folder(manner, tmp_path_factory):
    return tmp_path_factory.mktemp(manner.name)


@pytest.fixture(scope="module")
def exported(manner, folder):
    return write_export(log(), folder, manner, 2, flaws_each=3)


@cache
def page(book, sheet):
    options = {"dtypes": "string", "header_row": None, "skip_rows": 0}
    return pl.read_excel(book, sheet_name=sheet, has_header=False, drop_empty_rows=False, read_options=options)


def line(folder, manner, file, row):
    """The cells of one row of an export, by the number a run tells."""
    name, _, place = file.partition("#")
    if name.endswith(".sqlite"):
        with sqlite3.connect(folder / name) as database:
            return [str(cell) for cell in database.execute(f'SELECT * FROM "{place}"').fetchall()[row - 1]]
    if name.endswith(".xlsx"):
        return ["" if cell is None else str(cell) for cell in page(folder / name, place).row(row - 1)]
    text = (folder / name).read_text("utf-8-sig" if manner.bom else manner.encoding)
    return text.split("\n")[row - 1].rstrip("\r").split(manner.delimiter)


def test_every_flaw_is_in_the_listed_row(manner, folder, exported):
    widths = dict(exported.headings.group_by("file").len().iter_rows())
    for flaw in exported.flaws.iter_rows(named=True):
        cells = line(folder, manner, flaw["file"], flaw["row"])
        if flaw["rule"] == "unreadable_row":
            assert len(cells) > widths[flaw["file"]]
        elif flaw["rule"] == "required_missing":
            assert "" in cells or "None" in cells
        elif flaw["value"]:
            assert any(cell.startswith(flaw["value"]) for cell in cells)


def test_every_kind_of_flaw_is_injected_the_requested_number_of_times(exported):
    rules = set(exported.flaws["rule"])
    assert rules <= set(RULES)
    assert set(exported.flaws["action"]) <= set(ACTIONS)
    expected = set(RULES) - {
        "unreadable_row",
        "conflicting_copies",
        "too_long",
        "out_of_scope",
    }  # not in every format; the last two in none
    assert expected <= rules
    copies = exported.flaws.filter(rule="exact_copy").group_by("table").len().sort("table")
    assert copies["len"].to_list() == [3, 3]


def test_rows_are_the_logs_and_what_was_added(exported):
    rows = dict(exported.rows.group_by("table").agg(pl.col("rows").sum()).iter_rows())
    for table in ("sessions", "comebacks"):
        added = exported.flaws.filter(pl.col("table") == table, pl.col("action") != "value_blanked").height
        assert rows[table] == getattr(log(), table).height + added


def test_a_clean_export_has_no_flaws(manner, tmp_path):
    exported = write_export(log(), tmp_path, manner, 2, flaws_each=0)
    assert exported.flaws.height == 0
    assert all(path.exists() for path in exported.files)


def test_headings_are_listed_once_for_each_column_of_a_file(exported):
    headings = exported.headings
    assert headings.select("file", "heading").is_duplicated().sum() == 0
    assert headings.filter(table="sessions")["column"].n_unique() >= 44


def test_the_same_seed_writes_the_same_flaws(manner, tmp_path):
    one = write_export(log(), tmp_path / "one", manner, 7)
    two = write_export(log(), tmp_path / "two", manner, 7)
    assert one.flaws.equals(two.flaws)
    texts = [path for path in one.files if path.suffix in (".csv", ".tsv")]
    assert all(path.read_bytes() == (tmp_path / "two" / path.name).read_bytes() for path in texts)


def test_more_flaws_than_rows_are_refused(manner, tmp_path):
    with pytest.raises(ValueError, match="flaws_each"):
        write_export(log(), tmp_path, manner, 2, flaws_each=500)


def test_units_are_those_of_the_headings(tmp_path):
    exported = write_export(log(), tmp_path, EXPORT_FORMATS["sqlite_shop"], 2, flaws_each=0)
    inches = EXPORT_FORMATS["inch_workbook"]
    hose = next(column for column in inches.sheets[0].columns if column.field == "hose_mm")
    port = next(column for column in inches.sheets[0].columns if column.field == "lever_port_nm")
    temp = next(column for column in inches.sheets[0].columns if column.field == "shop_temp_c")
    # 1 in is 25.4 mm and 1 in-lb is 0.1129848 N·m by definition (NIST SP 811, appendix B.8; from memory)
    assert (hose.foreign(254.0), port.foreign(1.129848), temp.foreign(20.0)) == (10.0, 10.0, 68.0)
    assert exported.files[0].name == "shop.sqlite"
