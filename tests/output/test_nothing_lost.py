"""Files that a user filled in, corrected or added in the folder of a run survive every later run unchanged."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from tests.cli.test_command import rebleed

HEAD = "session_id,bike_id,brake,technician,started_at,note\n"
ROWS = "".join(f"{i},b{i},front,Wren,2026-01-{i:02d},\n" for i in range(1, 12)) + "12,b12,sideways,Wren,2026-01-12,\n"
READINGS = "item,technician,reading\n" + "".join(
    f"{item},{person},{10 * item + turn + (person == 'Lee')}\n"
    for item in range(1, 5)
    for person in ("Lee", "Wren")
    for turn in (1, 2)
)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    (tmp_path / "log.csv").write_text(HEAD + ROWS)
    (tmp_path / "readings.csv").write_text(READINGS)
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def created(*words: str) -> None:
    assert rebleed(*words).returncode == 0


def refused(out: Path, *words: str) -> str:
    """The error message of a run that changes nothing."""
    before = contents(out.parent)
    result = rebleed(*words, "--out", str(out))
    assert result.returncode == 2, result
    assert result.stdout == ""
    assert contents(out.parent) == before
    assert "what to do" in result.stderr
    return result.stderr


RUNS = {
    "audit": ("audit", "log.csv"),
    "check": ("check", "log.csv"),
    "sheet": ("sheet",),
    "gauge": ("gauge", "readings.csv"),
    "simulate": ("simulate", "--sessions", "20"),
}


def words(shop: Path, kind: str) -> list[str]:
    return [str(shop / word) if word.endswith(".csv") else word for word in RUNS[kind]]


def test_a_filled_workbook_survives_another_sheet(shop: Path) -> None:
    created("sheet", "--out", str(shop / "bench"))
    with (shop / "bench" / "bench_log.xlsx").open("ab") as book:
        book.write(b"rows")
    assert "bench_log.xlsx (changed)" in refused(shop / "bench", "sheet")


def test_a_filled_workbook_survives_a_check_of_it_into_its_own_folder(shop: Path) -> None:
    created("sheet", "--out", str(shop / "bench"))
    book = shop / "bench" / "bench_log.xlsx"
    for export in (str(book), f"{book}#bleeds", str(shop / "bench"), str(shop / "bench" / ".." / "bench")):
        assert "contains an input of this run" in refused(shop / "bench", "check", export)


def test_rows_corrected_in_their_folder_survive(shop: Path) -> None:
    created("check", str(shop / "log.csv"), "--out", str(shop / "out"))
    (corrected,) = (shop / "out" / "set_aside_rows").iterdir()
    corrected.write_text(corrected.read_text().replace("sideways", "rear"))
    assert "contains an input of this run" in refused(shop / "out", "check", str(shop / "log.csv"), str(corrected))
    assert f"set_aside_rows/{corrected.name} (changed)" in refused(shop / "out", "check", str(shop / "log.csv"))


def test_an_input_behind_a_link_is_recognised(shop: Path) -> None:
    created("check", str(shop / "log.csv"), "--out", str(shop / "out"))
    (shop / "link").symlink_to(shop / "out" / "set_aside_rows")
    (corrected,) = (shop / "link").iterdir()
    assert "contains an input of this run" in refused(shop / "out", "check", str(corrected))


@pytest.mark.parametrize(
    ("command", "option"), [("check", "--map"), ("check", "--standard"), ("audit", "--letter"), ("audit", "--proof")]
)
def test_any_other_input_in_the_folder_is_recognised(shop: Path, command: str, option: str) -> None:
    created("check", str(shop / "log.csv"), "--out", str(shop / "out"))
    (shop / "out" / "own.toml").write_text("")
    result = refused(shop / "out", command, str(shop / "log.csv"), option, str(shop / "out" / "own.toml"))
    assert "contains an input of this run" in result


@pytest.mark.parametrize("kind", RUNS)
def test_the_same_run_again_replaces_its_folder(shop: Path, kind: str) -> None:
    created(*words(shop, kind), "--out", str(shop / "out"))
    (shop / "out" / ".DS_Store").write_bytes(b"left by a file manager")
    created(*words(shop, kind), "--out", str(shop / "out"))
    assert {path.name for path in shop.iterdir()} == {"log.csv", "readings.csv", "out"}


@pytest.mark.parametrize("kind", RUNS)
def test_changed_and_added_files_survive(shop: Path, kind: str) -> None:
    created(*words(shop, kind), "--out", str(shop / "out"))
    whole = contents(shop / "out")
    for name, data in whole.items():
        (shop / "out" / name).write_bytes(data + b" ")
        assert f"{name} (changed)" in refused(shop / "out", *words(shop, kind))
        (shop / "out" / name).write_bytes(data)
    (shop / "out" / "tables").mkdir(exist_ok=True)
    for name in ("notes.txt", "tables/notes.txt", ".hidden"):
        (shop / "out" / name).write_text("ask Wren")
        assert f"{name} (added)" in refused(shop / "out", *words(shop, kind))
        (shop / "out" / name).unlink()
    created(*words(shop, kind), "--out", str(shop / "out"))


@pytest.mark.parametrize("kind", [kind for kind in RUNS if kind != "audit"])
def test_a_whole_audit_survives_another_kind_of_run(shop: Path, kind: str) -> None:
    created("audit", str(shop / "log.csv"), "--out", str(shop / "audit"))
    assert "a different command (audit)" in refused(shop / "audit", *words(shop, kind))


def test_many_changed_files_are_counted(shop: Path) -> None:
    created("sheet", "--out", str(shop / "bench"))
    for number in range(9):
        (shop / "bench" / f"note{number}.txt").write_text("ask Wren")
    result = refused(shop / "bench", "sheet")
    assert "note4.txt (added) and 4 more" in result


def test_a_folder_whose_manifest_names_no_files_is_not_replaced(shop: Path) -> None:
    (shop / "out").mkdir()
    (shop / "out" / "manifest.json").write_text(json.dumps({"made_by": "rebleed", "made": "sheet"}))
    (shop / "out" / "bench_log.xlsx").write_text("rows")
    assert "bench_log.xlsx (added)" in refused(shop / "out", "sheet")


def test_a_link_or_a_device_in_the_folder_is_neither_followed_nor_replaced(shop: Path) -> None:
    created("sheet", "--out", str(shop / "bench"))
    (shop / "bench" / "link").symlink_to(shop / "log.csv")
    assert "link (added)" in refused(shop / "bench", "sheet")
    (shop / "bench" / "link").unlink()
    page = shop / "bench" / "bench_sheet.html"
    page.rename(shop / "page.html")
    page.symlink_to(shop / "page.html")
    assert "bench_sheet.html (changed)" in refused(shop / "bench", "sheet")


@pytest.mark.parametrize(
    "words", [("check", "log.csv"), ("sheet",), ("map", "log.csv"), ("plan", "rate", "--rate", "0.06")]
)
def test_a_device_is_not_replaced(shop: Path, words: tuple[str, ...]) -> None:
    call = [str(shop / word) if word.endswith(".csv") else word for word in words]
    result = rebleed(*call, "--out", os.devnull)
    assert result.returncode == 2
    assert f"{os.devnull}: " in result.stderr
    assert Path(os.devnull).is_char_device()


@pytest.mark.parametrize("extra", [("plan", "rate", "--rate", "0.06"), ("map", "log.csv")])
def test_a_single_output_file_never_replaces_an_existing_one(shop: Path, extra: tuple[str, ...]) -> None:
    call = [str(shop / word) if word.endswith(".csv") else word for word in extra]
    created(*call, "--out", str(shop / "new" / "file"))
    for there in (shop / "log.csv", shop / "new" / "file"):
        assert "already exists" in refused(there, *call)
    (shop / "link").symlink_to(shop / "nowhere")
    assert "already exists" in refused(shop / "link", *call)
    assert "is a folder" in refused(shop / "new", *call)
