"""Rejected rows contain no formulas for a spreadsheet, and are the same when imported again."""

from __future__ import annotations

import csv
import re
from pathlib import Path

from analysis.intake import read_log
from analysis.output import write_log

CELLS = (
    "=own",
    "@bad",
    "+x",
    "-y",
    "'=z",
    "''-z",
    "'t Hooft",
    "-5",
    "a;=1+1",
    "a;'=1",
    'a;"=1"',
    "a\n@b",
    "\t=1",
    'say "=1"',
    "plain",
)


def test_no_rejected_cell_is_a_formula_whatever_the_separator(tmp_path: Path) -> None:
    text = _rejected_text(tmp_path, _rows(CELLS))
    cells = [cell for row in csv.reader(text.splitlines(keepends=True)) for cell in row]
    assert [cell for cell in cells if re.match(r"[=+\-@\t\r]", cell) and cell != "-5"] == []
    assert "a;'=1+1" in cells
    where_quotes_are_not_seen = re.split(r"[;\t\r\n]+", text)
    assert [cell for cell in where_quotes_are_not_seen if re.match(r"\"*[=+\-@]", cell)] == []
    unquoted = re.sub(r'"(?:[^"]|"")*"', "", text)
    assert not {";", "\t"} & set(unquoted)


def test_rejected_rows_imported_again_are_the_same(tmp_path: Path) -> None:
    first = _rejected_text(tmp_path, _rows(CELLS))
    (tmp_path / "again").mkdir()
    corrected = first.replace(",sideways,", ",front,")
    (tmp_path / "again" / "sessions.csv").write_text(corrected, "utf-8", newline="")
    log = read_log([str(tmp_path / "again" / "sessions.csv")])
    assert log.sessions.sort("session_id").get_column("technician").to_list() == [cell.strip() for cell in CELLS]


def _rows(cells: tuple[str, ...]) -> list[list[str]]:
    return [[f"{n:02}", f"B{n}", "sideways", cell, "2026-01-05", f"={n}"] for n, cell in enumerate(cells)]


def _rejected_text(place: Path, rows: list[list[str]]) -> str:
    with (place / "sessions.csv").open("w", encoding="utf-8", newline="") as file:
        write = csv.writer(file, quoting=csv.QUOTE_ALL)
        write.writerow(["session_id", "bike_id", "brake", "technician", "started_at", "=own"])
        write.writerows([*rows, ["good", "B", "front", "Wren", "2026-01-06", ""]])
    (place / "out").mkdir()
    write_log(place / "out", read_log([str(place / "sessions.csv")]))
    with (place / "out" / "set_aside_rows" / "sessions.csv.sessions.csv").open(encoding="utf-8", newline="") as file:
        return file.read()
