"""Delimited text: every line becomes a row, a broken row, or a title, blank or totals line.

Sources: RFC 4180 (Common Format and MIME Type for CSV Files), section 2, for quoting; Python's csv module as a second,
independent writer of the same format.
"""

from __future__ import annotations

import csv
import gzip
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from analysis.errors import UserError
from analysis.intake.readers import csv as csv_reader
from analysis.intake.readers.csv import csv_table
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.raw_table import ROW, RawTable, ReadingHint
from analysis.intake.readers.sources import raw_tables


def read(text: str | bytes, *hints: ReadingHint) -> RawTable:
    """The table of a text, read as a long file and, if it is short, line by line: both must agree."""
    file = Snapshot("log.csv", text if isinstance(text, bytes) else text.encode("utf-8"), "0" * 64)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_reader, "FEW_LINES", 0)
        table = csv_table(file, hints)
    line_by_line = csv_table(file, hints)
    for one in ("cells", "broken"):
        assert_frame_equal(getattr(line_by_line, one), getattr(table, one))
    assert line_by_line.notes == table.notes
    return table


def rows(text: str | bytes, *hints: ReadingHint) -> list[tuple]:
    return read(text, *hints).cells.rows()


def test_a_german_export_with_titles_totals_and_a_quoted_newline_is_read_row_by_row() -> None:
    table = read(
        "Werkstatt;;\nStand: Mai\n\n"
        '"Nr\n[x]";Länge, cm;Notiz\n'
        '1;1,5;"a;b\nc"\n2;2,5;12" bar\n3;3,5;"stray" x\n4;4\n\n5;5,5;x;y\n6;6,6;"open\n7;7,7;z\nSumme;24;\n(7 Zeilen)\n'
    )
    assert table.headings == ["Nr\n[x]", "Länge, cm", "Notiz"]
    assert table.cells.rows() == [
        (5, "1", "1,5", "a;b\nc"),
        (6, "2", "2,5", '12" bar'),
        (7, "3", "3,5", '"stray" x'),
        (12, "7", "7,7", "z"),
    ]
    assert table.broken[ROW].to_list() == [8, 10, 11]
    assert table.broken["text"].to_list() == ["4;4", "5;5,5;x;y", '6;6,6;"open']


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\r\r\n"])
def test_every_kind_of_line_end_is_read(end: str) -> None:
    assert rows(end.join(["id,n", "a,1", "", "b,2", ""])) == [(2, "a", "1"), (4, "b", "2")]


def test_the_examples_of_rfc_4180_are_read() -> None:
    assert rows('h1,h2,h3\r\n"aaa","bbb","ccc"\r\nzzz,yyy,xxx') == [(2, "aaa", "bbb", "ccc"), (3, "zzz", "yyy", "xxx")]
    assert rows('h1,h2,h3\r\n"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx') == [
        (2, "aaa", "b\nbb", "ccc"),
        (3, "zzz", "yyy", "xxx"),
    ]
    assert rows('h1,h2,h3\r\n"aaa","b""bb","ccc"') == [(2, "aaa", 'b"bb', "ccc")]


# a file full of control characters is refused as binary
_CELLS = st.text(st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from("\t\n"), max_size=12)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(_CELLS, min_size=1, max_size=8),
    st.sampled_from(",;\t|"),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_text_written_by_the_csv_module_of_python_is_read_back(notes: list[str], delimiter: str, quoting: int) -> None:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, quoting=quoting, lineterminator="\n")
    writer.writerow(["bike_id", "brake", "note"])
    writer.writerows(("B1", "front", note) for note in notes)
    expected = [(place, "B1", "front", note or None) for place, note in enumerate(notes, start=2)]
    assert rows(text.getvalue()) == expected


@given(st.text('ab1 ,"\n', max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_text_below_the_headings_is_read_the_same_line_by_line(text: str) -> None:
    read(f"id,note\n{text}")


@pytest.mark.parametrize("delimiter", list(",;\t|"))
def test_the_delimiter_is_found_from_the_content(delimiter: str) -> None:
    lines = [["id", "mm", "note"], ["a", "1,5", "x; y"], ["b", "2,5", "u | v"]]
    text = "\n".join(delimiter.join(f'"{cell}"' if delimiter in cell else cell for cell in line) for line in lines)
    assert rows(text) == [(2, "a", "1,5", "x; y"), (3, "b", "2,5", "u | v")]


NOTED_ROWS = [(f"S{n}", f"B{n}", "front", f"quick; clean {n}") for n in range(20)]


def test_a_semicolon_in_every_note_does_not_make_it_the_delimiter() -> None:
    text = "session_id,bike_id,brake,note\n" + "".join(",".join(row) + "\n" for row in NOTED_ROWS)
    table = read(text)
    assert table.headings == ["session_id", "bike_id", "brake", "note"]
    assert table.cells.rows() == [(n, *row) for n, row in enumerate(NOTED_ROWS, start=2)]


def test_a_semicolon_in_every_note_below_a_title_does_not_make_it_the_delimiter() -> None:
    text = "Bleeds of May\n\nsession_id,bike_id,brake,note\n" + "".join(",".join(row) + "\n" for row in NOTED_ROWS)
    assert read(text).headings == ["session_id", "bike_id", "brake", "note"]


@pytest.mark.parametrize("title", ["", "Report, May\n"])
def test_a_decimal_comma_in_every_row_does_not_make_it_the_delimiter(title: str) -> None:
    text = f"{title}Nr;Length, cm;Brake\n" + "".join(f"{n};{n},5;front\n" for n in range(20))
    assert read(text).headings == ["Nr", "Length, cm", "Brake"]


def test_a_single_column_is_a_table() -> None:
    assert rows("technician\nAnna\n\nBert\n") == [(2, "Anna"), (4, "Bert")]


def test_a_separator_line_sets_the_delimiter_and_is_not_counted_as_a_row() -> None:
    assert rows("sep=|\nid|n\na|1\n") == [(2, "a", "1")]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"])
def test_umlauts_are_read_in_every_usual_encoding(encoding: str) -> None:
    table = read("Nr;Länge\n1;für Jörg\n2;€ 5\n".encode(encoding))
    assert table.headings == ["Nr", "Länge"]
    assert table.cells["Länge"].to_list() == ["für Jörg", "€ 5"]
    assert any("cp1252" in note for note in table.notes) == (encoding == "cp1252")


def test_a_file_of_two_encodings_keeps_both() -> None:
    table = read("Nr;Länge\n1;für\n".encode() + "2;Öl\n".encode("cp1252"))
    assert table.cells["Länge"].to_list() == ["für", "Öl"]


def test_the_encoding_of_the_map_is_used_if_the_headings_fit() -> None:
    data = "Nr;Länge\n1;Öl\n".encode("cp850")
    assert rows(data, ReadingHint(encoding="cp850", headings=frozenset({"länge"}))) == [(2, "1", "Öl")]
    assert rows(data, ReadingHint(encoding="cp850", headings=frozenset({"Breite"}))) != [(2, "1", "Öl")]


def test_an_encoding_of_the_map_that_does_not_fit_is_reported() -> None:
    table = read("Nr;note\n1;Öl\n".encode("cp1252"), ReadingHint(encoding="utf-8", headings=frozenset({"Nr"})))
    assert table.cells["note"].to_list() == ["Öl"]
    assert any("not written in utf-8" in note for note in table.notes)


def test_the_delimiter_of_the_map_is_used_if_the_headings_fit() -> None:
    text = "id~n\na~1\n"
    assert rows(text, ReadingHint(delimiter="~", headings=frozenset({"ID", "n"}))) == [(2, "a", "1")]


def test_titles_above_the_headings_are_not_rows() -> None:
    text = "Bleed export,,,\nfrom,2024-01-01,to,2024-12-31\n,,,\nbike_id,brake,started_at,minutes\nB1,front,2024-01-05,35\n"
    table = read(text)
    assert table.headings == ["bike_id", "brake", "started_at", "minutes"]
    assert table.cells.rows() == [(5, "B1", "front", "2024-01-05", "35")]


def test_sparse_rows_do_not_hide_the_headings() -> None:
    text = "id,a,b,c,d,e\n1,,,,,\n2,,x,,,\n3,,,,,y\n"
    assert read(text).headings == ["id", "a", "b", "c", "d", "e"]


@pytest.mark.parametrize(
    "line",
    ["Total,,70", "Summe:,,70", '"Grand total",,"1.070,00"', "(2 rows),,", "(2 rows)", "---,---,---", ",,", '"","",""'],
)
def test_totals_dashes_and_blank_lines_are_not_rows(line: str) -> None:
    table = read(f"id,brake,minutes\na,front,35\n{line}\nb,rear,35\n")
    assert table.cells.rows() == [(2, "a", "front", "35"), (4, "b", "rear", "35")]
    assert table.broken.is_empty()


@pytest.mark.parametrize(
    "line", ["Total,front,35", "Totally soft,,35", "2 rows,front,", "Sum,2024-01-05,3", "a,total,35", "-,-,-"]
)
def test_a_row_of_data_is_not_mistaken_for_a_totals_line(line: str) -> None:
    table = read(f"id,brake,minutes\n{line}\nb,rear,35\n")
    assert table.cells.row(0) == (2, *(cell or None for cell in line.split(",")))


def test_repeated_and_empty_headings_get_unique_names() -> None:
    assert read("n,n,,n (2),n\n1,2,3,4,5\n").headings == ["n", "n (2)", "column 3", "n (2) (2)", "n (3)"]


def test_an_empty_column_without_a_heading_is_dropped() -> None:
    assert read("id;n;;\na;1;;\nb;2;;\n").headings == ["id", "n"]


def test_a_delimiter_at_the_end_of_every_row_is_ignored() -> None:
    assert rows("id;n\na;1;\nb;2;\n") == [(2, "a", "1"), (3, "b", "2")]


def test_a_row_with_more_cells_than_headings_is_broken_even_if_the_last_is_empty() -> None:
    table = read("id,note,minutes\na,soft, later,\nb,ok,35\nc,ok,30\n")
    assert table.broken.rows() == [(2, "a,soft, later,", "4 cells but only 3 headings")]


def test_a_shorter_row_is_broken_unless_the_map_allows_it() -> None:
    text = "id,n,note\na,1\nb,2,x\nc,3,y\n"
    assert read(text).broken[ROW].to_list() == [2]
    allowed = read(text, ReadingHint(short_rows=True, headings=frozenset({"id"})))
    assert allowed.cells.row(0) == (2, "a", "1", None)


def test_a_quotation_mark_that_never_closes_spoils_one_line_only() -> None:
    body = "".join(f'{n},"ok, {n}",x\n' for n in range(500))
    table = read(f'id,note,end\n{body}a,"never closed,x\n{body}')
    assert table.cells.height == 1000
    assert table.broken[ROW].to_list() == [502]


def test_a_file_cut_off_within_a_quoted_cell_loses_its_last_row_only() -> None:
    table = read('id,note\na,"one"\nb,"two\nthree')
    assert table.cells.rows() == [(2, "a", "one")]
    assert table.broken["text"].to_list() == ['b,"two', "three"]


@pytest.mark.parametrize(
    "cell",
    [
        "=1+1",
        "@SUM(A1)",
        "\u202eevil",
        "a\x07b",
        "\ufeff",
        "x" * 100_000,
        "🛠" * 1000,
        "\u2028",
        "#",
        "NULL",
        "007",
        "1e5",
    ],
)
def test_an_unusual_cell_is_unchanged(cell: str) -> None:
    assert rows(f"id,note\na,{cell}\nb,x\n")[0] == (2, "a", cell)


def test_rows_after_many_quoted_newlines_keep_their_spreadsheet_row() -> None:
    text = "id,note\n" + "".join(f'{n},"a\n\nb"\n' for n in range(100))
    result = rows(text)
    assert result == [(n + 2, str(n), "a\n\nb") for n in range(100)]


def test_headings_alone_are_a_table_without_rows() -> None:
    table = read("id,n\n")
    assert table.headings == ["id", "n"]
    assert table.rows_read == 0
    assert read("id,n").headings == ["id", "n"]


@pytest.mark.parametrize("data", [b"\n\n  \n", b"\xef\xbb\xbf", b"\xef\xbb\xbf\n,,\n"])
def test_a_file_of_blank_lines_is_refused(data: bytes) -> None:
    with pytest.raises(UserError, match="blank lines"):
        read(data)


@pytest.mark.parametrize(
    "data",
    [
        bytes(range(256)) * 40,
        gzip.compress(b"id,n\na,1\n", mtime=0),
        b"PK\x03\x04" + bytes(100),
        b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(200),
        b"\xff\xfea\0,\0b\0\n\0c",
        bytes(5000),
    ],
)
def test_a_file_that_is_not_text_is_refused(data: bytes) -> None:
    with pytest.raises(UserError):
        read(data)


def test_too_many_columns_are_refused() -> None:
    with pytest.raises(UserError, match="20,001 columns"):
        read(",".join(f"h{n}" for n in range(20_001)) + "\n")


def test_a_thousand_columns_are_read() -> None:
    text = (
        ",".join(f"h{n}" for n in range(1000)) + "\n" + ",".join(["1"] * 1000) + "\n" + ",".join(['"2"'] * 1000) + "\n"
    )
    assert [row[:3] for row in rows(text)] == [(2, "1", "1"), (3, "2", "2")]


def test_a_file_in_a_folder_carries_its_sha256(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"id,n\na,1\n")
    (table,) = raw_tables([str(path)]).tables
    # printf 'id,n\na,1\n' | sha256sum
    assert table.sha256 == "7f2225dd0860b4ede80af8f2159f8b4b3276a154e6382d6c02269b8fcbe46d9a"
