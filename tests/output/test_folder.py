"""The folder of a run is the old run or the new one, complete; other files are not touched."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake import raw_tables
from analysis.output import run_folder, run_manifest_text


def write(out: Path, text: str) -> None:
    with run_folder(out, "audit") as folder:
        (folder / "manifest.json").write_text(json.dumps({"made_by": "rebleed"}))
        (folder / "result.txt").write_text(text)


def fail(out: Path) -> None:
    with run_folder(out, "audit") as folder:
        (folder / "result.txt").write_text("half")
        _ = 1 / 0


def test_an_earlier_run_is_replaced_whole(tmp_path: Path) -> None:
    with run_folder(tmp_path / "out", "audit") as folder:
        (folder / "left.txt").write_text("of the first run")
    write(tmp_path / "out", "second")
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["manifest.json", "result.txt"]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_failed_run_leaves_the_earlier_one_untouched(tmp_path: Path) -> None:
    write(tmp_path / "out", "first")
    with pytest.raises(ZeroDivisionError):
        fail(tmp_path / "out")
    assert (tmp_path / "out" / "result.txt").read_text() == "first"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_file_of_the_same_name_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(UserError, match="is a file"):
        write(tmp_path / "out", "x")
    assert (tmp_path / "out").read_text() == "mine"


@pytest.mark.parametrize("manifest", [None, "{}", "[1]", "no json", '{"made_by": "someone"}'])
def test_a_folder_of_other_files_is_refused(tmp_path: Path, manifest: str | None) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("years of work")
    if manifest is not None:
        (tmp_path / "out" / "manifest.json").write_text(manifest)
    with pytest.raises(UserError, match="not written by rebleed"):
        write(tmp_path / "out", "x")
    assert (tmp_path / "out" / "thesis.txt").read_text() == "years of work"


def test_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    with pytest.raises(UserError, match="is a link"):
        write(tmp_path / "out", "x")


def test_a_second_run_at_the_same_time_is_refused(tmp_path: Path) -> None:
    with run_folder(tmp_path / "out", "audit") as folder:
        (folder / "manifest.json").write_text(json.dumps({"made_by": "rebleed"}))
        with pytest.raises(UserError, match="another run is writing"):
            write(tmp_path / "out", "x")


def test_a_run_killed_at_any_moment_leaves_old_or_new_and_the_next_run_works(tmp_path: Path) -> None:
    """A process that does nothing else forks writers and kills each after 1 to 60 ms of writing and moving in a loop."""
    write(tmp_path / "out", "before")
    script = textwrap.dedent(
        f"""
        import os, signal, sys, time
        from pathlib import Path
        from tests.output.test_folder import complete, write
        out = Path({str(tmp_path / "out")!r})
        for wait_ms in (1, 2, 3, 5, 7, 11, 19, 23, 42, 60) * 3:
            writer = os.fork()
            if writer == 0:
                while True:
                    write(out, "run again " * 1000)
            time.sleep(wait_ms / 1000)
            os.kill(writer, signal.SIGKILL)
            os.waitpid(writer, 0)
            assert complete(out if out.exists() else out.with_name(".out.old")), list(out.parent.iterdir())
            write(out, "after")
            assert [p.name for p in out.parent.iterdir()] == ["out"], list(out.parent.iterdir())
        """
    )
    subprocess.run([sys.executable, "-c", script], check=True, cwd=Path(__file__).parents[2])


def complete(out: Path) -> bool:
    words = (out / "result.txt").read_text().split()
    return words in (["before"], ["after"]) or words == ["run", "again"] * 1000


def test_what_a_run_wrote_is_replaced_by_the_next_and_refused_as_an_export(tmp_path: Path) -> None:
    with run_folder(tmp_path / "out", "audit") as folder:
        (folder / "manifest.json").write_text(run_manifest_text())
        (folder / "sessions.csv").write_text(
            "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
        )
    with pytest.raises(UserError, match="out"):
        raw_tables([str(tmp_path / "out")], [])
    write(tmp_path / "out", "after")
    assert complete(tmp_path / "out")
