"""Texts that no workshop writes on purpose: cells of a million characters, odd line ends, repeated keys and headings."""

from __future__ import annotations

import csv
import time
from pathlib import Path

import pytest

from analysis.intake import Log, read_log
from analysis.intake.furniture import heading_place, is_furniture, unique_headings
from analysis.intake.heading_sense import headings
from analysis.standard import read_standard

HEAD = "session_id,bike_id,brake,technician,started_at,note"
ROWS = [f"S{n},B{n},{'front' if n % 2 else 'rear'},Wren,2025-01-{n + 1:02},plain" for n in range(12)]
SECONDS = 5.0
"""Far more than a pattern needs that looks at each character once, far less than one that tries again from each."""


def small_log(folder: Path, *more: str, head: str = HEAD, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([head, *ROWS, *more]) + "\n", encoding="utf-8")
    return path


def log_with(folder: Path, *more: str) -> Log:
    return read_log([str(small_log(folder, *more))])


def test_a_rejected_row_keeps_a_cell_longer_than_the_csv_module_reads_by_itself(tmp_path: Path) -> None:
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
def test_no_pattern_for_totals_rulers_or_values_backtracks_over_a_long_cell(cell: str) -> None:
    start = time.perf_counter()
    is_furniture(["Total", cell, "", None])
    is_furniture([cell, "", None])
    heading_place([[cell, cell, "a"], ["b", "c", "d"], [cell, cell, cell]])
    assert time.perf_counter() - start < SECONDS


@pytest.mark.parametrize(
    ("cells", "furniture"),
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
def test_totals_rulers_and_counts_are_known_by_their_shape(cells: list[str | None], furniture: bool) -> None:
    assert is_furniture(cells) is furniture


@pytest.mark.parametrize(
    "text", ["(" * LONG, "( " * LONG, "[" * LONG + "mm", "a/" * LONG, "(" + " " * LONG, "s" * LONG, "luft" * LONG]
)
def test_a_long_heading_is_understood_or_not_in_a_moment(text: str) -> None:
    start = time.perf_counter()
    headings([text])
    assert time.perf_counter() - start < SECONDS


def test_ten_thousand_equal_headings_are_told_apart_in_a_moment() -> None:
    start = time.perf_counter()
    names = unique_headings(["note"] * 10_000)
    assert names[:2] == ["note", "note (2)"]
    assert len(set(names)) == 10_000
    assert time.perf_counter() - start < 1


@pytest.mark.parametrize("filling", ["\n" * 200_000, "# " + "[" * 200_000 + "\n"], ids=["blank lines", "brackets"])
def test_a_slip_in_a_long_procedure_file_is_placed_in_a_moment(filling: str, tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(f"{filling}[shop]\nwindow_days = -1\n[[step]]\nid = 3\n", encoding="utf-8")
    start = time.perf_counter()
    with pytest.raises(Exception, match=f"line {filling.count(chr(10)) + 2}"):
        read_standard(str(path))
    assert time.perf_counter() - start < SECONDS
