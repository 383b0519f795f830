"""What can be named as an export: files, folders and databases; anything else is refused with one clear message."""

from __future__ import annotations

import json
import os
import socket
import zipfile
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake.readers.files import snapshot
from analysis.intake.readers.sources import raw_tables

CSV = "id,n\na,1\n"


def test_a_folder_is_read_by_name_one_level_deep(tmp_path: Path) -> None:
    for name in ("b.csv", "a.tsv", "C.CSV", "notes.md", ".hidden.csv", "~$book.xlsx", "empty.csv", "map.toml"):
        (tmp_path / name).write_text("" if name == "empty.csv" else CSV.replace(",", "\t") if name == "a.tsv" else CSV)
    (tmp_path / "truth").mkdir()
    (tmp_path / "truth" / "t.csv").write_text(CSV)
    (tmp_path / "link.csv").symlink_to(tmp_path / "b.csv")
    result = raw_tables([f"{tmp_path}/"])
    assert [table.file for table in result.tables] == [f"{tmp_path}/C.CSV", f"{tmp_path}/a.tsv", f"{tmp_path}/b.csv"]
    assert {Path(each.file).name: each.reason for each in result.skipped} == {
        "empty.csv": "empty file",
        "link.csv": "link",
        "map.toml": "unsupported file type",
        "notes.md": "unsupported file type",
        "truth": "subfolder",
        "~$book.xlsx": "lock file of an open workbook",
    }


def test_files_of_other_programs_with_a_shared_extension_are_skipped_in_a_folder(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(CSV)
    (tmp_path / "lines.json").write_text('{"id": "a"}\n{"id": "b"}\n')
    (tmp_path / "settings.json").write_text('{\n  "theme": "dark"\n}\n')
    (tmp_path / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(600))
    result = raw_tables([str(tmp_path)])
    assert [Path(table.file).name for table in result.tables] == ["lines.json", "log.csv"]
    assert [Path(each.file).name for each in result.skipped] == ["Thumbs.db", "settings.json"]


def test_exports_are_read_in_the_order_given_and_a_file_named_twice_once(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV)
    (tmp_path / "b.csv").write_text(CSV)
    result = raw_tables([str(tmp_path / "b.csv"), str(tmp_path), str(tmp_path / "a.csv")])
    assert [Path(table.file).name for table in result.tables] == ["b.csv", "a.csv"]
    assert [each.reason for each in result.skipped] == ["named twice, read once"] * 2


def test_the_output_of_a_run_is_refused_but_not_another_manifest(tmp_path: Path) -> None:
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


def test_json_lines_without_an_extension_are_recognised(tmp_path: Path) -> None:
    (tmp_path / "log").write_text('{"id": "a"}\n')
    (table,) = raw_tables([str(tmp_path / "log")]).tables
    assert table.cells.rows() == [(1, "a")]


@pytest.mark.parametrize(
    ("name", "data", "kind"),
    [
        ("letter.docx", b"id,n\na,1\n", r"\.docx"),
        ("letter.doc", b"id,n\na,1\n", r"\.doc"),
        ("letter.pdf", b"id,n\na,1\n", r"\.pdf"),
        ("page.HTML", b"<table></table>\n", r"\.html"),
        ("scan", b"%PDF-1.4\n1 0 obj\n", r"\.pdf"),
        ("letter", b"{\\rtf1\\ansi hello}\n", r"\.rtf"),
    ],
)
def test_a_document_is_not_a_table(tmp_path: Path, name: str, data: bytes, kind: str) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(UserError, match=f"not a table: {kind}"):
        raw_tables([str(tmp_path / name)])


@pytest.mark.parametrize(
    ("member", "content", "kind"),
    [
        ("word/document.xml", "<document/>", r"a text document \(\.docx\)"),
        ("ppt/presentation.xml", "<presentation/>", r"slides \(\.pptx\)"),
        ("mimetype", "application/vnd.oasis.opendocument.text", r"a text document or slides \(\.odt, \.odp\)"),
        ("log.csv", "id,n", "a zip archive"),
    ],
)
@pytest.mark.parametrize("name", ["log", "log.xlsx"])
def test_an_archive_that_is_not_a_workbook_is_not_a_table(
    tmp_path: Path, name: str, member: str, content: str, kind: str
) -> None:
    with zipfile.ZipFile(tmp_path / name, "w") as archive:
        archive.writestr(member, content)
        if member == "mimetype":
            archive.writestr("content.xml", "<content/>")
    with pytest.raises(UserError, match=f"not a table: {kind}"):
        raw_tables([str(tmp_path / name)])


def test_a_link_named_directly_is_followed(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV)
    (tmp_path / "link.csv").symlink_to(tmp_path / "a.csv")
    assert raw_tables([str(tmp_path / "link.csv")]).tables[0].cells.height == 1


def test_a_name_that_is_not_utf8_is_shown_as_valid_text(tmp_path: Path) -> None:
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
        path.symlink_to(folder / "missing")
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
def test_anything_but_a_file_with_rows_is_refused(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UserError) as refusal:
        raw_tables([special(tmp_path, kind)])
    assert len(str(refusal.value).splitlines()) <= 3


@pytest.mark.parametrize(
    "name", ["/dev/null", "/dev/zero", "/dev/stdin", "", "a\0b", "x" * 5000, "-", "https://example.org/a.csv"]
)
def test_devices_and_impossible_names_are_refused(name: str) -> None:
    with pytest.raises(UserError):
        raw_tables([name])


def test_a_file_without_read_permission_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(CSV)
    path.chmod(0)
    root = os.geteuid() == 0
    if root:  # root can read every file, so try as another user
        os.seteuid(65534)
    try:
        with pytest.raises(UserError, match="Permission denied"):
            raw_tables([str(path)])
    finally:
        if root:
            os.seteuid(0)


def test_a_text_file_and_a_folder_have_no_tables_to_name(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(CSV)
    with pytest.raises(UserError, match="only one table"):
        raw_tables([f"{tmp_path / 'log.csv'}#sheet"])
    with pytest.raises(UserError, match="folder"):
        raw_tables([f"{tmp_path}#sheet"])


def test_a_file_that_grows_while_it_is_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"id,n\n" + b"a,1\n" * 1_000)
    read = os.read

    def read_while_another_program_writes(descriptor: int, size: int) -> bytes:
        data = read(descriptor, size)
        with path.open("ab") as log:
            log.write(b"b,2\n")
        return data

    monkeypatch.setattr(os, "read", read_while_another_program_writes)
    with pytest.raises(UserError, match="changed"):
        snapshot(path, "log.csv")


@pytest.mark.parametrize("problem", [PermissionError(13, "Permission denied"), FileNotFoundError(2, "No such file")])
def test_a_file_that_cannot_be_entered_or_was_deleted_meanwhile_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, problem: OSError
) -> None:
    """A folder that can be listed but not entered is simulated, because root can enter every folder."""
    (tmp_path / "sessions.csv").write_text("session_id\n1\n")

    def refuse(_: object) -> str:
        raise problem

    monkeypatch.setattr("analysis.intake.readers.files._reason_to_skip", refuse)
    with pytest.raises(UserError, match=r"sessions\.csv: cannot be read"):
        raw_tables([str(tmp_path)])
