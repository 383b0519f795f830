"""Delimited text: every line becomes a row, a told broken line, or a title, blank or totals line."""

from __future__ import annotations

from pathlib import Path

from analysis.intake.raw import ROW, RawTable
from analysis.intake.sources import ReadingHint, raw_tables


def read(folder: Path, text: str | bytes, *hints: ReadingHint, name: str = "log.csv") -> RawTable:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    (table,) = raw_tables([str(path)], hints).tables
    return table


def test_a_german_export_with_titles_totals_and_a_quoted_newline_is_read_row_by_row(tmp_path: Path) -> None:
    text = (
        "Werkstatt;;\nStand: Mai\n\n"
        '"Nr\n[x]";Länge, cm;Notiz\n'
        '1;1,5;"a;b\nc"\n2;2,5;12" bar\n3;3,5;"stray" x\n4;4\n\n5;5,5;x;y\n6;6,6;"open\n7;7,7;z\nSumme;24;\n(7 Zeilen)\n'
    )
    table = read(tmp_path, text)
    assert table.headings == ["Nr\n[x]", "Länge, cm", "Notiz"]
    assert table.cells.rows() == [
        (5, "1", "1,5", "a;b\nc"),
        (6, "2", "2,5", '12" bar'),
        (7, "3", "3,5", '"stray" x'),
        (12, "7", "7,7", "z"),
    ]
    assert table.broken[ROW].to_list() == [8, 10, 11]
