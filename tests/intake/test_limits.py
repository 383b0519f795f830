"""Limits on columns, cells, rows, unpacked archives and SQL: generous, and enforced."""

from __future__ import annotations

import io
import sqlite3
import zipfile
from pathlib import Path

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import raw_tables, read_log
from analysis.intake.readers import limits

HEAD = ["session_id", "bike_id", "brake", "technician", "started_at"]
GOOD = ["S1", "B1", "front", "Wren", "2026-01-05"]


def csv(folder: Path, more: list[str], cells: list[str]) -> str:
    path = folder / "sessions.csv"
    path.write_text(f"{','.join([*HEAD, *more])}\n{','.join([*GOOD, *cells])}\n", encoding="utf-8")
    return str(path)


def test_the_limits_allow_what_is_documented() -> None:
    assert limits.COLUMNS >= 10_000
    assert limits.CELL_BYTES >= 1_000_000
    assert limits.ROWS >= 20_000_000


def test_ten_thousand_columns_are_read_and_one_more_is_refused(tmp_path: Path) -> None:
    many = limits.COLUMNS - len(HEAD)
    log = read_log([csv(tmp_path, [f"x{i}" for i in range(many)], ["1"] * many)])
    assert log.sessions.height == 1
    with pytest.raises(UserError, match="10,001 columns"):
        read_log([csv(tmp_path, [f"x{i}" for i in range(many + 1)], ["1"] * (many + 1))])


def test_a_cell_of_a_million_bytes_is_read_and_one_more_rejects_its_row(tmp_path: Path) -> None:
    log = read_log([csv(tmp_path, ["note"], ["n" * limits.CELL_BYTES])])
    assert len(log.sessions["note"][0]) == limits.CELL_BYTES
    with pytest.raises(UserError, match=r"no bleed was accepted.*'note' has 1,000,001 bytes"):
        read_log([csv(tmp_path, ["note"], ["n" * (limits.CELL_BYTES + 1)])])


def test_too_many_rows_are_refused_from_the_metadata_of_a_file(tmp_path: Path) -> None:
    """One repeated value: 20,000,001 rows take a few hundred bytes of Parquet."""
    pl.DataFrame({"x": pl.repeat(1, limits.ROWS + 1, dtype=pl.Int8, eager=True)}).write_parquet(tmp_path / "x.parquet")
    with pytest.raises(UserError, match="20,000,001 rows"):
        raw_tables([str(tmp_path / "x.parquet")])


@pytest.mark.parametrize("declares_size", [True, False])
def test_a_small_archive_that_unpacks_to_much_is_refused(tmp_path: Path, declares_size: bool) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/worksheets/sheet1.xml", bytes(limits.UNPACKED_ALWAYS_ALLOWED + 1))
    data = buffer.getvalue()
    if not declares_size:
        data = data.replace((limits.UNPACKED_ALWAYS_ALLOWED + 1).to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    (tmp_path / "bomb.xlsx").write_bytes(data)
    with pytest.raises(UserError, match=r"unpacks to more than|damaged"):
        raw_tables([str(tmp_path / "bomb.xlsx")])


@pytest.mark.parametrize(
    "query",
    [
        "DELETE FROM sessions",
        "DROP TABLE sessions",
        "UPDATE sessions SET brake = 'rear'",
        "INSERT INTO sessions SELECT * FROM sessions",
        "ATTACH DATABASE 'other.sqlite' AS other",
        "PRAGMA writable_schema = 1",
        "VACUUM INTO 'copy.sqlite'",
        "SELECT 1; DELETE FROM sessions",
        "WITH x AS (SELECT 1) DELETE FROM sessions",
        "SELECT load_extension('evil')",
        "SELECT writefile('evil', 'x')",
    ],
)
def test_sql_that_does_more_than_read_is_refused_and_changes_nothing(tmp_path: Path, query: str) -> None:
    path = tmp_path / "shop.sqlite"
    with sqlite3.connect(path) as shop:
        shop.execute(f"CREATE TABLE sessions ({', '.join(HEAD)})")
        shop.execute("INSERT INTO sessions VALUES (?, ?, ?, ?, ?)", GOOD)
    shop.close()
    before = path.read_bytes()
    with pytest.raises(UserError):
        raw_tables([f"{path}#{query}"])
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["shop.sqlite"]
