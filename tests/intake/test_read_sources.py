"""What may be named as an export: files, folders and databases; everything else is refused in one clear message."""

from __future__ import annotations

import json
import os
import socket
import threading
import time
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake.readers.snapshot import snapshot
from analysis.intake.readers.sources import raw_tables

CSV = "id,n\na,1\n"


def test_a_folder_is_read_by_name_one_level_deep(tmp_path: Path) -> None:
    for name in ("b.csv", "a.tsv", "C.CSV", "notes.md", ".hidden.csv", "~$book.xlsx", "empty.csv", "map.toml"):
        (tmp_path / name).write_text("" if name == "empty.csv" else CSV.replace(",", "\t") if name == "a.tsv" else CSV)
    (tmp_path / "truth").mkdir()
    (tmp_path / "truth" / "t.csv").write_text(CSV)
    (tmp_path / "link.csv").symlink_to(tmp_path / "b.csv")
    found = raw_tables([f"{tmp_path}/"])
    assert [table.file for table in found.tables] == [f"{tmp_path}/C.CSV", f"{tmp_path}/a.tsv", f"{tmp_path}/b.csv"]
    assert {Path(each.file).name: each.reason for each in found.skipped} == {
        "empty.csv": "an empty file",
        "link.csv": "a link",
        "map.toml": "not a kind of file that is read",
        "notes.md": "not a kind of file that is read",
        "truth": "a folder within the folder",
        "~$book.xlsx": "the lock of a workbook that is open",
    }


def test_a_folder_passes_over_files_that_only_share_an_ending(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(CSV)
    (tmp_path / "lines.json").write_text('{"id": "a"}\n{"id": "b"}\n')
    (tmp_path / "settings.json").write_text('{\n  "theme": "dark"\n}\n')
    (tmp_path / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(600))
    found = raw_tables([str(tmp_path)])
    assert [Path(table.file).name for table in found.tables] == ["lines.json", "log.csv"]
    assert [Path(each.file).name for each in found.skipped] == ["Thumbs.db", "settings.json"]


def test_exports_come_in_the_order_given_and_a_file_named_twice_is_read_once(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV)
    (tmp_path / "b.csv").write_text(CSV)
    found = raw_tables([str(tmp_path / "b.csv"), str(tmp_path), str(tmp_path / "a.csv")])
    assert [Path(table.file).name for table in found.tables] == ["b.csv", "a.csv"]
    assert [each.reason for each in found.skipped] == ["named twice, read once"] * 2


def test_a_runs_own_output_is_refused_and_another_manifest_is_not(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV)
    (tmp_path / "manifest.json").write_text('{"name": "some web app"}')
    assert len(raw_tables([str(tmp_path)]).tables) == 1
    (tmp_path / "manifest.json").write_text(json.dumps({"version": "1", "inputs": [], "as_of": "", "window_days": 90}))
    with pytest.raises(UserError, match="earlier run"):
        raw_tables([str(tmp_path)])


@pytest.mark.parametrize("name", ["log", "log.dat", "log.CSV", "a log#1.csv", "log.txt"])
def test_a_file_named_directly_is_read_by_its_content(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text(CSV)
    (table,) = raw_tables([str(tmp_path / name)]).tables
    assert table.cells.rows() == [(2, "a", "1")]


def test_json_lines_of_no_known_ending_are_read_as_such(tmp_path: Path) -> None:
    (tmp_path / "log").write_text('{"id": "a"}\n')
    (table,) = raw_tables([str(tmp_path / "log")]).tables
    assert table.cells.rows() == [(1, "a")]


def test_a_link_named_directly_is_followed(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV)
    (tmp_path / "link.csv").symlink_to(tmp_path / "a.csv")
    assert raw_tables([str(tmp_path / "link.csv")]).tables[0].cells.height == 1


def test_a_name_that_is_no_utf8_is_shown_so_that_it_can_be_written(tmp_path: Path) -> None:
    path = os.fsdecode(os.fsencode(tmp_path) + b"/l\xf6g.csv")
    Path(path).write_text(CSV)
    (table,) = raw_tables([path]).tables
    assert table.file.encode("utf-8").decode("utf-8").endswith("l\ufffdg.csv")


def special(folder: Path, kind: str) -> str:
    path = folder / kind
    if kind == "pipe.csv":
        os.mkfifo(path)
    elif kind == "loop.csv":
        path.symlink_to(path)
    elif kind == "dangling.csv":
        path.symlink_to(folder / "nothing")
    elif kind == "socket.csv":
        with socket.socket(socket.AF_UNIX) as listener:
            os.chdir(folder)
            listener.bind(kind)
    elif kind == "empty.csv":
        path.touch()
    elif kind == "empty folder.csv":
        return str(folder / "a.csv" / "b.csv")
    return str(path)


@pytest.mark.parametrize(
    "kind", ["pipe.csv", "loop.csv", "dangling.csv", "socket.csv", "empty.csv", "missing.csv", "empty folder.csv"]
)
def test_what_is_no_file_with_rows_is_refused(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UserError) as refused:
        raw_tables([special(tmp_path, kind)])
    assert len(str(refused.value).splitlines()) <= 3


@pytest.mark.parametrize(
    "name", ["/dev/null", "/dev/zero", "/dev/stdin", "", "a\0b", "x" * 5000, "-", "https://example.org/a.csv"]
)
def test_devices_and_impossible_names_are_refused(name: str) -> None:
    with pytest.raises(UserError):
        raw_tables([name])


def test_a_file_that_may_not_be_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(CSV)
    path.chmod(0)
    root = os.geteuid() == 0
    if root:  # who may read everything, so another user tries it
        os.seteuid(65534)
    try:
        with pytest.raises(UserError, match="Permission denied"):
            raw_tables([str(path)])
    finally:
        if root:
            os.seteuid(0)


def test_a_table_of_a_text_file_or_a_folder_cannot_be_named(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(CSV)
    with pytest.raises(UserError, match="one table only"):
        raw_tables([f"{tmp_path / 'log.csv'}#sheet"])
    with pytest.raises(UserError, match="folder"):
        raw_tables([f"{tmp_path}#sheet"])


def test_a_file_that_grows_while_it_is_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"id,n\n" + b"a,1\n" * 4_000_000)
    stop = threading.Event()

    def write() -> None:
        with path.open("ab", buffering=0) as log:
            while not stop.is_set():
                log.write(b"b,2\n")
                time.sleep(0.0005)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        with pytest.raises(UserError, match="changed"):
            snapshot(path, "log.csv")
    finally:
        stop.set()
        writer.join()


@pytest.mark.parametrize("problem", [PermissionError(13, "Permission denied"), FileNotFoundError(2, "No such file")])
def test_a_file_that_may_not_be_looked_at_or_is_gone_meanwhile_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, problem: OSError
) -> None:
    """A folder that may be listed but not entered: simulated, since nothing is shut to the machine's owner."""
    (tmp_path / "sessions.csv").write_text("session_id\n1\n")

    def refuse(_: object) -> str:
        raise problem

    monkeypatch.setattr("analysis.intake.readers.folder_files._reason_against", refuse)
    with pytest.raises(UserError, match=r"sessions\.csv: cannot be read"):
        raw_tables([str(tmp_path)])
