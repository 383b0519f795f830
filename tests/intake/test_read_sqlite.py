"""SQLite: read-only, one SELECT, every value kept, no files left in the folder."""

from __future__ import annotations

import sqlite3
import tracemalloc
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake.readers.files import snapshot
from analysis.intake.readers.sources import raw_tables
from analysis.intake.readers.sqlite import sqlite_tables


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    path = tmp_path / "shop.sqlite"
    run(
        path,
        "CREATE TABLE bleeds (id TEXT, n INT, x REAL, b BLOB, at TEXT)",
        "INSERT INTO bleeds VALUES ('a', 1, 2.5, x'01ff', '2024-01-05'), ('b', NULL, 3, NULL, ''), ('c', 'n/a', NULL, NULL, NULL)",
        "CREATE TABLE returns (id TEXT)",
        'CREATE TABLE "odd ""name" (id TEXT)',
        "CREATE VIEW fronts AS SELECT id FROM bleeds WHERE n = 1",
    )
    return path


def run(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def test_every_table_and_view_is_read(shop: Path) -> None:
    result = raw_tables([str(shop)]).tables
    assert [table.file for table in result] == [
        f"{shop}#{name}" for name in ("bleeds", "fronts", 'odd "name', "returns")
    ]
    assert result[0].cells.rows() == [
        (1, "a", "1", 2.5, "01ff", "2024-01-05"),
        (2, "b", None, 3.0, None, None),
        (3, "c", "n/a", None, None, None),
    ]
    assert result[3].headings == ["id"]
    assert len(result[0].sha256) == 64


@pytest.mark.parametrize(
    "way", ["{}#BLEEDS", "sqlite:///{}#bleeds", "{}#SELECT * FROM bleeds", "{}#-- all\nselect * from bleeds;"]
)
def test_a_table_or_a_select_can_be_named(shop: Path, way: str) -> None:
    (table,) = raw_tables([way.format(shop)]).tables
    assert table.cells.height == 3
    assert "\n" not in table.file


@pytest.mark.parametrize(
    "query",
    [
        "DELETE FROM bleeds",
        "DROP TABLE bleeds",
        "SELECT 1; DELETE FROM bleeds",
        "PRAGMA writable_schema = 1",
        "SELECT * FROM pragma_table_list",
        "ATTACH 'other.sqlite' AS other",
        "VACUUM INTO 'other.sqlite'",
        "WITH gone AS (SELECT 1) DELETE FROM bleeds",
        "WITH gone AS (SELECT 1) INSERT INTO bleeds SELECT 1, 1, 1, 1, 1",
        "SELECT load_extension('x')",
        "SELECT * FROM nothing",
        "SELECT",
        "SELECT zeroblob(900000000)",
        "EXPLAIN SELECT 1",
    ],
)
def test_a_statement_that_does_more_than_read_is_refused_and_leaves_nothing(shop: Path, query: str) -> None:
    before = shop.read_bytes()
    with pytest.raises(UserError):
        raw_tables([f"{shop}#{query}"])
    assert shop.read_bytes() == before
    assert [path.name for path in shop.parent.iterdir()] == ["shop.sqlite"]


def test_an_endless_query_is_stopped(shop: Path) -> None:
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT max(i) FROM n"
    with pytest.raises(UserError, match="no answer within the time"):
        sqlite_tables(snapshot(shop, "shop.sqlite"), shop, endless, seconds=0.2)


def test_reading_a_database_in_write_ahead_mode_leaves_no_files(shop: Path) -> None:
    run(shop, "PRAGMA journal_mode = wal")
    (table,) = raw_tables([f"{shop}#bleeds"]).tables
    assert table.cells.height == 3
    assert [path.name for path in shop.parent.iterdir()] == ["shop.sqlite"]


def test_rows_still_in_the_write_ahead_log_are_read(shop: Path) -> None:
    writer = sqlite3.connect(shop)
    writer.execute("PRAGMA journal_mode = wal")
    writer.execute("INSERT INTO bleeds (id) VALUES ('d')")
    writer.commit()
    try:
        (table,) = raw_tables([f"{shop}#bleeds"]).tables
    finally:
        writer.close()
    assert table.cells["id"].to_list() == ["a", "b", "c", "d"]


def test_text_that_is_not_utf8_is_read_as_windows_1252(shop: Path) -> None:
    run(shop, "INSERT INTO returns VALUES (CAST(x'd66c' AS TEXT))")
    (table,) = raw_tables([f"{shop}#returns"]).tables
    assert table.cells["id"].to_list() == ["Öl"]


def test_a_type_that_changes_after_a_batch_is_kept(shop: Path) -> None:
    connection = sqlite3.connect(shop)
    connection.executemany("INSERT INTO returns VALUES (?)", [(None,)] * 60_000 + [("x",)])
    connection.commit()
    connection.close()
    (table,) = raw_tables([f"{shop}#returns"]).tables
    assert table.cells.row(-1) == (60_001, "x")


def test_a_missing_table_is_refused_with_the_existing_names(shop: Path) -> None:
    with pytest.raises(UserError, match="one of bleeds, fronts"):
        raw_tables([f"{shop}#bleed"])


@pytest.mark.parametrize("cut", [50, 100, 3000])
def test_a_damaged_database_is_refused(shop: Path, cut: int) -> None:
    shop.write_bytes(shop.read_bytes()[:cut])
    with pytest.raises(UserError):
        raw_tables([str(shop)])


def test_text_with_the_extension_of_a_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / "shop.db").write_text("id,n\n")
    with pytest.raises(UserError):
        raw_tables([str(tmp_path / "shop.db")])


def test_a_database_without_a_table_is_refused(tmp_path: Path) -> None:
    run(tmp_path / "shop.db", "PRAGMA user_version = 1")
    with pytest.raises(UserError, match="without a table"):
        raw_tables([str(tmp_path / "shop.db")])


@pytest.mark.parametrize(
    "address", ["sqlite:///", "sqlite://shop.sqlite", "sqlite:///nothing.sqlite", "sqlite:///{}?mode=rwc"]
)
def test_an_address_without_a_file_is_refused(shop: Path, address: str) -> None:
    with pytest.raises(UserError):
        raw_tables([address.format(shop)])


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE VIEW other AS SELECT * FROM gone",
        "CREATE VIRTUAL TABLE other USING fts5(note)",
        "CREATE VIRTUAL TABLE other USING rtree(id, lo, hi)",
        "CREATE TABLE other AS SELECT zeroblob(9000000) AS photo",
        "CREATE VIEW other AS WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT zeroblob(1000000) FROM c",
        "CREATE VIEW other AS WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT zeroblob(400000) FROM c",
    ],
)
def test_a_table_that_cannot_be_read_is_skipped_and_listed(shop: Path, statement: str) -> None:
    run(shop, statement)
    result = raw_tables([str(shop)])
    assert f"{shop}#bleeds" in [table.file for table in result.tables]
    assert f"{shop}#other" in [other.file for other in result.skipped]
    with pytest.raises(UserError, match="other"):
        raw_tables([f"{shop}#other"])


def test_a_table_with_a_photo_does_not_prevent_reading_others(shop: Path) -> None:
    run(shop, "CREATE TABLE photos AS SELECT zeroblob(600000) AS photo")
    assert f"{shop}#bleeds" in [table.file for table in raw_tables([str(shop)]).tables]


def test_a_database_with_only_broken_views_is_refused_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "broken.sqlite"
    run(path, "CREATE TABLE gone (id)", "CREATE VIEW v AS SELECT * FROM gone", "DROP TABLE gone")
    with pytest.raises(UserError, match="no such table"):
        raw_tables([str(path)])


def test_an_endless_query_of_large_rows_takes_little_memory(shop: Path) -> None:
    """A database of 8 kB whose query would return far more than fits into memory."""
    endless = "WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT randomblob(450000) AS b FROM c"
    tracemalloc.start()
    with pytest.raises(UserError, match="bytes"):
        raw_tables([f"{shop}#{endless}"])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 400 * 2**20


def test_the_message_for_a_locked_database_does_not_blame_the_query(shop: Path) -> None:
    other = sqlite3.connect(shop)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    other.execute("INSERT INTO returns VALUES ('x')")
    try:
        with pytest.raises(UserError, match="another program") as refusal:
            raw_tables([str(shop)])
    finally:
        other.rollback()
        other.close()
    assert "query" not in str(refusal.value)


def test_a_write_ahead_log_without_its_index_is_read_and_no_index_written(shop: Path, tmp_path: Path) -> None:
    writer = sqlite3.connect(shop)
    writer.execute("PRAGMA journal_mode = WAL")
    writer.execute("INSERT INTO returns VALUES ('late')")
    writer.commit()
    copied = tmp_path / "copy"
    copied.mkdir()
    for suffix in ("", "-wal"):
        (copied / f"shop.sqlite{suffix}").write_bytes(Path(f"{shop}{suffix}").read_bytes())
    writer.close()
    before = sorted(path.name for path in copied.iterdir())
    (table,) = raw_tables([f"{copied / 'shop.sqlite'}#returns"]).tables
    assert table.cells["id"].to_list() == ["late"]
    assert sorted(path.name for path in copied.iterdir()) == before
