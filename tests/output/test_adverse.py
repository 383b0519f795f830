"""Full disks, missing permissions and concurrent runs: one message, exit status 2, the earlier run unchanged."""

from __future__ import annotations

import os
import resource
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake import read_log
from analysis.intake.readers.files import snapshot
from analysis.output import run_folder, write_log
from tests.cli.test_command import rebleed
from tests.output.killed import digest


@pytest.fixture
def export(tmp_path: Path) -> Path:
    head = "session_id,bike_id,brake,technician,started_at\n"
    (tmp_path / "sessions.csv").write_text(head + "".join(f"{i},b{i},front,Wren,2026-01-05\n" for i in range(9)))
    return tmp_path / "sessions.csv"


def refused(*words: str) -> str:
    """The error message of a command that fails."""
    result = rebleed(*words)
    assert result.returncode == 2, result
    assert result.stdout == ""
    assert 1 <= len(result.stderr.splitlines()) <= 12
    return result.stderr


@contextmanager
def no_file_beyond(size: int) -> Iterator[None]:
    """Limit the size of files, as on a disk that fills up."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextmanager
def small_disk(place: Path) -> Iterator[None]:
    """Mount a disk of 1 MB if permitted; otherwise limit files to 300 kB."""
    created = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", place], capture_output=True, check=False
    )
    if created.returncode:
        with no_file_beyond(300_000):
            yield
        return
    try:
        yield
    finally:
        subprocess.run(["umount", place], check=True)


def earlier_run(out: Path) -> str:
    with run_folder(out, "audit") as folder:
        (folder / "manifest.json").write_text('{"made_by": "rebleed", "seconds": {}}')
        (folder / "index.html").write_text("the earlier run")
    return digest(out)


def only(out: Path, *others: str) -> bool:
    return sorted(p.name for p in out.parent.iterdir()) == sorted([out.name, *others])


@pytest.mark.parametrize("room_kb", [4, 200])
def test_the_earlier_run_stays_if_files_cannot_grow(export: Path, room_kb: int) -> None:
    out = export.parent / "out"
    before = earlier_run(out)
    with no_file_beyond(room_kb * 1024):
        result = refused("audit", str(export), "--out", str(out))
    assert "cannot be written" in result
    assert digest(out) == before
    assert only(out, "sessions.csv")


@pytest.mark.parametrize("room_kb", [1, 2, 3])
def test_a_disk_that_fills_up_during_parquet_is_reported_as_full(export: Path, room_kb: int) -> None:
    log, out = read_log([str(export)]), export.parent / "out"
    with (
        no_file_beyond(room_kb * 1024),
        pytest.raises(UserError, match="cannot be written"),
        run_folder(out, "audit") as folder,
    ):
        write_log(folder, log)
    assert only(export)


def test_a_full_disk_is_reported_and_the_earlier_run_stays(export: Path) -> None:
    disk = export.parent / "disk"
    disk.mkdir()
    with small_disk(disk):
        before = earlier_run(disk / "out")
        assert "cannot be written" in refused("audit", str(export), "--out", str(disk / "out"))
        assert digest(disk / "out") == before
        assert only(disk / "out")


def test_a_full_disk_is_reported_while_the_demo_writes_its_workbook(tmp_path: Path) -> None:
    with no_file_beyond(2_000):
        assert "cannot be written" in refused("demo", "--out", str(tmp_path / "demo"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        ("audit", "{}", "--letter", "{}.pipe"),
        ("audit", "{}", "--letter", "/dev/zero"),
        ("audit", "{}", "--since", "{}.since"),
        ("audit", "{}", "--proof", "{}.proof"),
        ("sheet", "--standard", "{}.pipe"),
    ],
    ids=" ".join,
)
def test_a_pipe_or_device_is_refused_without_waiting(export: Path, words: tuple[str, ...]) -> None:
    for name in ("pipe", "since/manifest.json", "proof/tables/prove.csv"):
        path = Path(f"{export}.{name}")
        path.parent.mkdir(parents=True, exist_ok=True)
        os.mkfifo(path)
    refused(*(word.format(export) for word in words), "--out", str(export.parent / "out"))


def test_a_write_protected_folder_is_reported(export: Path) -> None:
    """Root ignores permissions, so it gets a folder of the system that nobody can write to."""
    shut = export.parent / "shut"
    shut.mkdir()
    shut.chmod(0o500)
    place = Path("/proc/self") if os.access(shut, os.W_OK) else shut
    result = refused("audit", str(export), "--out", str(place / "out"))
    assert "cannot be written" in result
    shut.chmod(0o700)
    assert list(shut.iterdir()) == []


def test_a_second_run_into_the_same_folder_is_refused(export: Path) -> None:
    out = export.parent / "out"
    before = earlier_run(out)
    with run_folder(out, "audit") as folder:
        result = refused("audit", str(export), "--out", str(out))
        (folder / "manifest.json").write_text('{"made_by": "rebleed", "seconds": {}}')
        (folder / "index.html").write_text("the earlier run")
    assert "another run is writing to it" in result
    assert digest(out) == before
    assert only(out, "sessions.csv")


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path: Path) -> None:
    path, stop = tmp_path / "sessions.csv", threading.Event()
    path.write_bytes(b"x" * (32 << 20))

    def grow() -> None:
        while not stop.wait(0.001):
            with path.open("ab") as file:
                file.write(b"y")

    writer = threading.Thread(target=grow)
    writer.start()
    try:
        with pytest.raises(UserError, match="changed while it was read"):
            taken_often(path)
    finally:
        stop.set()
        writer.join()
    assert snapshot(path, "sessions.csv").data.strip(b"x").strip(b"y") == b""


def taken_often(path: Path) -> None:
    for _ in range(20):
        snapshot(path, "sessions.csv")
