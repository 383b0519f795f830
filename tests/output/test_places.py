"""Unsuitable output places are refused before the work starts, and other files are not touched."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import types
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake import read_log
from analysis.output import claim_folder, run_folder, run_lock, write_log, write_new_file
from analysis.output.manifest import UNFINISHED, list_changed_files
from tests.output.test_adverse import no_file_beyond
from tests.output.test_folder import write


def refused(out: Path, match: str) -> None:
    with pytest.raises(UserError, match=match), claim_folder(out, "audit"):
        raise AssertionError("no work begins")


def test_the_working_folder_and_its_parents_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path / "out", "first")
    (tmp_path / "out" / "deep").mkdir()
    monkeypatch.chdir(tmp_path / "out")
    refused(Path(), "is the working folder")
    refused(Path("..") / "out", "is the working folder")
    monkeypatch.chdir(tmp_path / "out" / "deep")
    refused(Path(".."), "or contains it")
    assert (tmp_path / "out" / "result.txt").read_text() == "first"


def test_two_dots_in_a_path_are_resolved(tmp_path: Path) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    write(tmp_path / "a" / "b" / ".." / "out", "first")
    assert (tmp_path / "a" / "out" / "result.txt").read_text() == "first"
    assert sorted(path.name for path in (tmp_path / "a").iterdir()) == ["b", "out"]


@pytest.mark.parametrize("place", [Path("/"), Path("/proc")])
def test_a_mount_point_is_refused(place: Path) -> None:
    refused(place, "is a mount point")


def test_permissions_and_group_of_an_existing_folder_are_kept(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    groups = [group for group in os.getgroups() if group != os.getegid()] or ([1] if os.geteuid() == 0 else [])
    if groups:
        os.chown(out, -1, groups[0])
    out.chmod(0o2770)
    before = out.stat()
    for text in ("first", "second"):
        write(out, text)
        assert stat.S_IMODE(out.stat().st_mode) == 0o2770
        assert out.stat().st_gid == before.st_gid
        assert (out / "result.txt").stat().st_gid == before.st_gid, "a member of the group may read what is inside"


@pytest.mark.parametrize("role", ["writing", "old", "rebleed-lock"])
@pytest.mark.parametrize("what", ["file", "link", "folder"])
def test_a_file_in_the_way_is_named_and_kept(tmp_path: Path, role: str, what: str) -> None:
    path = tmp_path / f".out.{role}"
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("ask Wren")
    if what == "file":
        path.write_text("ask Wren")
    elif what == "link":
        path.symlink_to(tmp_path / "mine" / ("empty" if role == "rebleed-lock" else ""))
    else:
        path.mkdir()
        (path / "notes.txt").write_text("ask Wren")
    refused(tmp_path / "out", rf"\.out\.{role}: is in the way")
    assert os.path.lexists(path)
    assert [p.read_text() for p in tmp_path.rglob("notes.txt")] == ["ask Wren"] * (2 if what == "folder" else 1)
    assert not (tmp_path / "mine" / "empty").exists()


def test_an_earlier_run_that_a_killed_run_had_renamed_is_restored(tmp_path: Path) -> None:
    write(tmp_path / "out", "first")
    (tmp_path / "out").rename(tmp_path / ".out.old")
    (tmp_path / ".out.old" / "notes.txt").write_text("ask Wren")
    refused(tmp_path / "out", "notes.txt")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert (tmp_path / "out" / "notes.txt").read_text() == "ask Wren"


def test_an_old_folder_with_changes_is_kept(tmp_path: Path) -> None:
    write(tmp_path / "out", "first")
    (tmp_path / "out").rename(tmp_path / ".out.old")
    write(tmp_path / "elsewhere", "second")
    (tmp_path / "elsewhere").rename(tmp_path / "out")
    (tmp_path / ".out.old" / "notes.txt").write_text("ask Wren")
    refused(tmp_path / "out", r"\.out\.old")
    (tmp_path / ".out.old" / "notes.txt").unlink()
    write(tmp_path / "out", "third")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("remaining", [[], [UNFINISHED], [UNFINISHED, "result.txt"], ["manifest.json"]])
def test_the_remains_of_a_killed_run_are_removed(tmp_path: Path, remaining: list[str]) -> None:
    write(tmp_path / "out", "first")
    (tmp_path / "out").rename(tmp_path / ".out.writing")
    (tmp_path / ".out.writing" / UNFINISHED).touch()
    for path in list((tmp_path / ".out.writing").iterdir()):
        if path.name not in remaining:
            path.unlink()
    write(tmp_path / "out", "second")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_notes_added_while_a_run_writes_survive(tmp_path: Path) -> None:
    write(tmp_path / "out", "first")

    def write_while_somebody_adds_notes() -> None:
        with run_folder(tmp_path / "out", "audit") as folder:
            (folder / "result.txt").write_text("second")
            (tmp_path / "out" / "notes.txt").write_text("ask Wren")

    with pytest.raises(UserError, match=r"notes\.txt"):
        write_while_somebody_adds_notes()
    assert (tmp_path / "out" / "result.txt").read_text() == "first"
    assert (tmp_path / "out" / "notes.txt").read_text() == "ask Wren"


@pytest.mark.parametrize("can_go_back", [True, False])
def test_a_failed_rename_restores_the_earlier_run_or_says_where_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, can_go_back: bool
) -> None:
    write(tmp_path / "out", "first")
    rename = Path.rename

    def failing(self: Path, target: Path) -> Path:
        if self.name == ".out.writing" or (self.name == ".out.old" and not can_go_back):
            raise PermissionError(13, "Permission denied")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(UserError, match="cannot be written" if can_go_back else r"the earlier run is now .*\.out\.old"):
        write(tmp_path / "out", "second")
    monkeypatch.undo()
    remainder = tmp_path / ("out" if can_go_back else ".out.old")
    assert (remainder / "result.txt").read_text() == "first"
    write(tmp_path / "out", "third")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_failed_run_leaves_no_parent_folder_that_it_created(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), claim_folder(tmp_path / "new" / "deep" / "out", "audit"):
        _ = 1 / 0
    assert list(tmp_path.iterdir()) == []


def test_processes_never_hold_the_lock_at_the_same_time(tmp_path: Path) -> None:
    """Three processes acquire and release the lock; each finds only its own folder."""
    script = f"""
import time
from pathlib import Path
from analysis.errors import UserError
from analysis.output import run_folder
out, ends, runs = Path({str(tmp_path / "out")!r}), time.monotonic() + 4, 0
while time.monotonic() < ends:
    try:
        with run_folder(out, "audit") as folder:
            assert [path.name for path in folder.iterdir()] == [{UNFINISHED!r}], list(folder.iterdir())
            (folder / "result.txt").write_text("whole")
            runs += 1
    except UserError as problem:
        assert "another run is writing" in str(problem), problem
print(runs)
"""
    root = Path(__file__).parents[2]
    runs = [
        subprocess.Popen([sys.executable, "-c", script], cwd=root, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        for _ in range(3)
    ]
    ended = [run.communicate() for run in runs]
    assert "".join(error.decode() for _, error in ended) == ""
    assert all(int(result) > 0 for result, _ in ended)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert list_changed_files(tmp_path / "out") == []


def test_a_lock_taken_while_another_is_removed_is_taken_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file that was opened is removed before it is locked: whoever comes next would lock another of that name."""
    import fcntl

    flock, path, calls = fcntl.flock, tmp_path / ".out.rebleed-lock", []

    def late(handle: int, how: int) -> None:
        calls.append(how)
        if len(calls) == 1:
            path.unlink()
        flock(handle, how)

    monkeypatch.setattr(fcntl, "flock", late)
    with run_lock(tmp_path / "out"):
        assert len(calls) == 2
        assert path.exists()
    assert not path.exists()


def test_windows_locks_by_its_own_means(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Simulated: no fcntl, and a msvcrt that knows which files are locked."""
    covered: set[int] = set()

    def locking(handle: int, how: int, length: int) -> None:
        assert (how, length) == (2, 1)
        inode = os.fstat(handle).st_ino
        if inode in covered:
            raise PermissionError(13, "Permission denied")
        covered.add(inode)

    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setitem(sys.modules, "msvcrt", types.SimpleNamespace(locking=locking, LK_NBLCK=2))
    with claim_folder(tmp_path / "out", "audit"):
        refused(tmp_path / "out", "another run is writing")
    covered.clear()
    write(tmp_path / "out", "second")


def test_rows_to_correct_have_names_that_every_system_takes(tmp_path: Path) -> None:
    """Capitals alone part no two files on macOS or Windows; Windows keeps some names and takes no colon."""
    names = [
        "x/Log.csv",
        "y/log.csv",
        "x/caf\u00e9.csv",
        "y/cafe\u0301.csv",
        "x/nul.csv",
        "x/a:b?.csv",
        "x/" + "\U00020000" * 60 + ".csv",
    ]
    rows = (
        "session_id,bike_id,brake,technician,started_at\n{0},b,front,Wren,2026-01-05\n{0}x,b,sideways,Wren,2026-01-05\n"
    )
    for number, name in enumerate(names):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(rows.format(number))
    (tmp_path / "out").mkdir()
    write_log(tmp_path / "out", read_log([str(tmp_path / name) for name in names]))
    content = sorted(path.name for path in (tmp_path / "out" / "set_aside_rows").iterdir())
    assert len({name.casefold() for name in content}) == len(names)
    assert [name for name in content if name.startswith("_nul")]
    assert not [name for name in content if set(name) & set('<>:"/\\|?*') or len(name.encode()) > 200]
    assert len([name for name in content if name.startswith("café.csv")]) == 2


@pytest.mark.parametrize("there", [b"", b"mine"])
def test_a_full_disk_leaves_nothing_of_a_single_file(tmp_path: Path, there: bytes) -> None:
    if there:
        (tmp_path / "other").write_bytes(there)
    with no_file_beyond(1000), pytest.raises(UserError, match="cannot be written"):
        write_new_file(tmp_path / "map.toml", "x" * 5000)
    assert [path.name for path in tmp_path.iterdir()] == (["other"] if there else [])


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_appears_meanwhile_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    def appear(_: int) -> None:
        (tmp_path / "map.toml").write_text("mine")

    def no_links(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "fsync", appear)
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    with pytest.raises(UserError, match="already exists"):
        write_new_file(tmp_path / "map.toml", "ours")
    assert [path.name for path in tmp_path.iterdir()] == ["map.toml"]
    assert (tmp_path / "map.toml").read_text() == "mine"
    (tmp_path / "map.toml").unlink()
    monkeypatch.setattr(os, "fsync", lambda _: None)
    write_new_file(tmp_path / "map.toml", "ours")
    assert (tmp_path / "map.toml").read_text() == "ours"
    assert stat.S_IMODE((tmp_path / "map.toml").stat().st_mode) & 0o600 == 0o600
