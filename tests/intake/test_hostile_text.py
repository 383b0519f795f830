"""Unusual texts: cells of a million characters, mixed line ends, repeated keys and headings."""

from __future__ import annotations

import csv
import time
import tomllib
from pathlib import Path

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import Log, propose_map, read_log
from analysis.intake.propose.headings import headings
from analysis.intake.readers import limits
from analysis.intake.readers.raw_table import find_heading_row, is_non_data_row, make_headings_unique
from analysis.standard import read_standard

HEAD = "session_id,bike_id,brake,technician,started_at,note"
ROWS = [f"S{n},B{n},{'front' if n % 2 else 'rear'},Wren,2025-01-{n + 1:02},plain" for n in range(12)]
SECONDS = 5.0
"""Much longer than a pattern takes without backtracking, much shorter than with it."""


def small_log(folder: Path, *more: str, head: str = HEAD, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([head, *ROWS, *more]) + "\n", encoding="utf-8")
    return path


def log_with(folder: Path, *more: str) -> Log:
    return read_log([str(small_log(folder, *more))])


def test_a_rejected_row_keeps_a_very_long_cell(tmp_path: Path) -> None:
    note = "x" * 500_000
    log = log_with(tmp_path, f"S99,B1,middle,Wren,2025-01-01,{note}")
    (rejected,) = log.rejected
    assert log.sessions.height == 12
    (row,) = list(csv.DictReader(rejected.text.splitlines()))
    assert row["note"] == note


LONG = 50_000
CELLS = {
    "digits": "1" * LONG + "!",
    "digits in groups": "1." * LONG + "!",
    "blanks": " " * LONG + "x",
    "dashes": "-" * LONG + "x",
    "dashes and blanks": "- " * LONG + "x",
    "total and blanks": "Total" + " " * LONG + "x",
    "count and blanks": "( 3 rows" + " " * LONG + "x",
    "count of many digits": "1" * LONG + " row",
    "bracket and blanks": " " * LONG + "(" + " " * LONG + "x",
    "date and blanks": "1.1.2025 " + " " * LONG + "\nx",
    "points": "." * LONG + "x",
    "unit": "1" * LONG + "abcd",
}


@pytest.mark.parametrize("cell", CELLS.values(), ids=CELLS)
def test_patterns_for_non_data_rows_are_fast_on_long_cells(cell: str) -> None:
    start = time.perf_counter()
    is_non_data_row(["Total", cell, "", None])
    is_non_data_row([cell, "", None])
    find_heading_row([[cell, cell, "a"], ["b", "c", "d"], [cell, cell, cell]])
    assert time.perf_counter() - start < SECONDS


@pytest.mark.parametrize(
    ("cells", "is_non_data"),
    [
        (["Total", "12", "3.5 mm", None], True),
        (["Total:", "-1'234,5 €", " ", ""], True),
        (["Total", "12abc", None], True),
        (["Total", "12abcd", None], False),
        (["Total", ".", None], False),
        (["Sums .", "1", None], True),
        (["( 12 rows selected )."], True),
        (["12 rows affected"], True),
        (["12 rowboats"], False),
        (["---", " === ", None], True),
        (["--", None], False),
        (["--- x", None], False),
    ],
)
def test_totals_dashes_and_row_counts_are_not_data(cells: list[str | None], is_non_data: bool) -> None:
    assert is_non_data_row(cells) is is_non_data


@pytest.mark.parametrize(
    "text",
    [
        "(" * LONG,
        "( " * LONG,
        "[" * LONG + "mm",
        "a/" * LONG,
        "(" + " " * LONG,
        "s" * LONG,
        "luft" * LONG,
        "luft " * LONG,
        "Aa" * LONG,
    ],
)
def test_a_long_heading_is_matched_quickly(text: str) -> None:
    start = time.perf_counter()
    headings([text])
    assert time.perf_counter() - start < SECONDS


def test_ten_thousand_equal_headings_are_numbered_quickly() -> None:
    start = time.perf_counter()
    names = make_headings_unique(["note"] * 10_000)
    assert names[:2] == ["note", "note (2)"]
    assert len(set(names)) == 10_000
    assert time.perf_counter() - start < 1


@pytest.mark.parametrize("filling", ["\n" * 200_000, "# " + "[" * 200_000 + "\n"], ids=["blank lines", "brackets"])
def test_an_error_in_a_long_procedure_file_is_located_quickly(filling: str, tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(f"{filling}[shop]\nwindow_days = -1\n[[step]]\nid = 3\n", encoding="utf-8")
    start = time.perf_counter()
    with pytest.raises(Exception, match=f"line {filling.count(chr(10)) + 2}"):
        read_standard(str(path))
    assert time.perf_counter() - start < SECONDS


@pytest.mark.parametrize("kind", ["csv", "jsonl", "parquet"])
def test_a_row_with_a_cell_above_the_limit_is_rejected_with_its_row_and_column(kind: str, tmp_path: Path) -> None:
    long = f"S99,B1,front,Wren,2025-01-20,{'x' * (limits.CELL_BYTES + 1)}"
    path = tmp_path / f"log.{kind}"
    frame = pl.read_csv(small_log(tmp_path, long))
    if kind == "jsonl":
        frame.write_ndjson(path)
    elif kind == "parquet":
        frame.write_parquet(path)
    log = read_log([str(path)])
    assert log.sessions.height == 12
    row = 14 if kind == "csv" else 13
    reason = log.set_aside.select("row", "rule", "message").row(0)
    assert reason == (
        row, "unreadable_row",
        "the cell under 'note' has 1,000,001 bytes; at most 1,000,000 are read per cell",
    )  # fmt: skip
    assert log.rejected[0].text == long + "\n"


@pytest.mark.parametrize(
    ("row", "bleeds", "action"),
    [
        ("S99,B1,front,{},2025-01-20,Stonewell", 13, "row_set_aside"),
        ("S99,B1,front,Wren,2025-01-20,{}", 14, "value_blanked"),
        ("{},B1,front,Wren,2025-01-20,Stonewell", 13, "row_set_aside"),
    ],
)
def test_a_name_longer_than_a_label_is_rejected_with_its_length(
    row: str, bleeds: int, action: str, tmp_path: Path
) -> None:
    head, longest = HEAD.replace("note", "shop"), limits.NAME_CHARACTERS
    rows = [row.format("é" * longest), row.replace("S99", "S98").format("é" * 100_000)]
    log = read_log([str(small_log(tmp_path, *rows, head=head))])
    assert log.sessions.height == bleeds
    (reason,) = log.set_aside.select("rule", "action", "message").rows()
    assert reason[:2] == ("too_long", action)
    assert reason[2].endswith(": 100000 characters, but a name may have at most 200")


def test_half_a_character_within_a_list_becomes_a_question_mark(tmp_path: Path) -> None:
    """JSON can hold half of a surrogate pair, UTF-8 cannot."""
    path = tmp_path / "log.jsonl"
    row = '{"session_id": "S1", "bike_id": "B1", "brake": "front", "technician": "Wren", "started_at": "2025-01-02"'
    path.write_text(f'{row}, "note": ["\\ud800"], "extra": {{"a\\udfff": 1}}}}\n', encoding="utf-8")
    assert read_log([str(path)]).sessions["note"].to_list() == ['["?"]']


def test_a_repeated_key_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    row = '{"session_id": "S1", "bike_id": "B1", "brake": "front", "technician": "Wren", "started_at": "2025-01-02"'
    path.write_text(f'{row}, "note": "first", "note": "second"}}\n', encoding="utf-8")
    log = read_log([str(path)])
    assert log.sessions["note"].to_list() == ["second"]
    assert any("a key more than once; the last value is used: 'note'" in one for one in log.warnings)


def test_columns_that_share_a_heading_are_named_with_the_one_that_is_read(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(f"{HEAD},note,Brake,extra,extra\nS1,B1,front,Wren,2025-01-02,one,two,rear,3,4\n", encoding="utf-8")
    log = read_log([str(path)])
    assert log.sessions.select("note", "brake").row(0) == ("one", "front")
    assert [one for one in log.warnings if "share a heading" in one] == [
        f"{path}: 2 columns share a heading: 'brake' is read as brake; not read: 'Brake'",
        f"{path}: 2 columns share a heading: 'note' is read as note; not read: 'note (2)'",
    ]


def test_two_columns_of_one_heading_are_not_reported_if_the_map_reads_both(tmp_path: Path) -> None:
    path, map_path = tmp_path / "log.csv", tmp_path / "map.toml"
    path.write_text(f"{HEAD},note\nS1,B1,front,Wren,2025-01-02,one,two\n", encoding="utf-8")
    map_path.write_text('[sessions.own.second]\nheading = "note (2)"\n', encoding="utf-8")
    log = read_log([str(path)], str(map_path))
    assert log.sessions["own.second"].to_list() == ["two"]
    assert not [one for one in log.warnings if "share a heading" in one]


FOREIGN_MAP = """
[sessions]
decimal = ","
[sessions.columns]
bike_id = "Rad"
brake = "Bremse"
technician = "Wer"
started_at = "Datum"
"""


def test_a_map_that_fits_no_file_is_refused_even_if_files_have_the_headings_of_the_log(tmp_path: Path) -> None:
    map_path = tmp_path / "map.toml"
    map_path.write_text(FOREIGN_MAP, encoding="utf-8")
    log = small_log(tmp_path)
    with pytest.raises(UserError, match="no file has the headings of this map") as refusal:
        read_log([str(log)], str(map_path))
    assert "bike_id ('Rad')" in str(refusal.value)
    other = tmp_path / "other.csv"
    other.write_text("Rad,Bremse,Wer,Datum\nB7,front,Hazel,2025-02-01\n", encoding="utf-8")
    assert read_log([str(log), str(other)], str(map_path)).sessions.height == 13


def test_a_section_that_fits_no_file_is_reported_if_another_one_fits(tmp_path: Path) -> None:
    map_path = tmp_path / "map.toml"
    map_path.write_text(FOREIGN_MAP.replace("[sessions]", "[[sessions]]") + '[[sessions]]\nmissing = ["?"]\n', "utf-8")
    log = read_log([str(small_log(tmp_path))], str(map_path))
    assert f"{map_path}: no file has the headings of section [sessions]; not used" in log.warnings


def test_whole_floats_beyond_64_bits_keep_their_text(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    columns = {
        "session_id": [1e20, 2.0, 3.0, 4.0], "bike_id": [5.0, 1e19, 7.0, 8.0], "brake": ["front"] * 4,
        "technician": ["Wren"] * 4, "started_at": ["2025-01-02"] * 4, "minutes": [20.0, float("inf"), 1e300, -float("inf")],
        "cycles": [2.0, 3.0, 1e300, float("inf")],
    }  # fmt: skip
    pl.DataFrame(columns).write_parquet(path)
    log = read_log([str(path)])
    assert sorted(log.sessions["session_id"]) == ["1e+20", "2", "3", "4"]
    assert set(log.sessions["bike_id"]) == {"5", "1e+19", "7", "8"}
    rejected = log.set_aside.select("row", "column", "rule", "value").rows()
    assert rejected == [
        (2, "minutes", "unreadable", "inf"),
        (3, "cycles", "unreadable", "1e+300"),
        (3, "minutes", "out_of_range", "1e+300"),
        (4, "cycles", "unreadable", "inf"),
        (4, "minutes", "unreadable", "-inf"),
    ]


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.csv", b""),
        ("a.csv", b"\n \n\r\n"),
        ("a.csv", b",,,\n,,,\n"),
        ("a.tsv", b"\t\n"),
        ("a.jsonl", b"\n\n"),
        ("a.csv", b"\xef\xbb\xbf"),
    ],
)
def test_an_empty_file_is_skipped_in_a_folder_and_refused_by_name(name: str, data: bytes, tmp_path: Path) -> None:
    small_log(tmp_path)
    (tmp_path / name).write_bytes(data)
    log = read_log([str(tmp_path)])
    assert log.sessions.height == 12
    assert any(one.startswith(f"{tmp_path / name}: skipped (") for one in log.warnings)
    with pytest.raises(UserError, match=r"empty file|only blank lines"):
        read_log([str(tmp_path / name)])


@pytest.mark.parametrize(
    ("ends", "last", "note"),
    [
        ("\r", "\n", "plain"),
        ("\r", "\r\n", "plain"),
        ("\r", "\r", '"two\nlines"'),
        ("\n", "\n", '"two\rlines"'),
        ("\r\n", "\n", "bare\rreturn"),
    ],
)
def test_lines_can_end_in_carriage_returns(ends: str, last: str, note: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes((ends.join([HEAD, *ROWS[:-1], ROWS[-1].replace("plain", note)]) + last).encode())
    assert read_log([str(path)]).sessions.height == 12


@pytest.mark.parametrize("marks", [1, 2, 200_000])
def test_byte_order_marks_do_not_hide_the_first_heading(marks: int, tmp_path: Path) -> None:
    path = small_log(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" * marks + path.read_bytes())
    log = read_log([str(path)])
    assert log.sessions["session_id"][0] == "S0"
    assert not [one for one in log.warnings if "passed over" in one]


def test_a_map_is_proposed_quickly_for_a_heading_of_many_words(tmp_path: Path) -> None:
    path = small_log(tmp_path, head=HEAD.replace("note", "luft " * 40_000))
    start = time.process_time()
    assert len(tomllib.loads(propose_map([str(path)]).toml)["sessions"]["columns"]) >= 5
    assert time.process_time() - start < 15
