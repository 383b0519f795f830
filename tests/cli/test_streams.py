"""The command with closed, full or narrow streams, control characters in its data, and errors of the machine."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import subprocess
import sys
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import polars as pl
import pytest

from analysis import cli
from analysis.commands import check
from analysis.commands.terminal import escape_controls, machine_error
from tests.cli.test_command import ROOT, CommandResult, rebleed

CALL = [sys.executable, "-c", "from analysis.cli import main; main()"]
ROWS = "session_id,bike_id,brake,technician,started_at,note\n" + "".join(
    f"{n},B{n},front,Wren,2026-01-0{1 + n % 9},fine – ok\n" for n in range(12)
)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    (tmp_path / "sessions.csv").write_text(ROWS, "utf-8")
    return tmp_path / "sessions.csv"


def in_shell(line: str, *words: str | Path, **env: str) -> CommandResult:
    """Run the command in a shell that redirects its streams; `{}` is the command."""
    call = line.format('"$@"')
    done = subprocess.run(
        ["bash", "-c", call, "bash", *CALL, *map(str, words)],
        capture_output=True,
        cwd=ROOT,
        env=os.environ | env,
        check=False,
    )
    return CommandResult(done.returncode, done.stdout.decode("latin-1"), done.stderr.decode())


def test_standard_error_may_be_closed(log: Path) -> None:
    result = in_shell("{} 2>&-", "check", log)
    assert result.returncode == 0
    assert "12 accepted" in result.stdout


def test_every_stream_may_be_closed_and_no_file_takes_its_place(log: Path, tmp_path: Path) -> None:
    result = in_shell("{} <&- >&- 2>&-", "audit", log, "--out", tmp_path / "out")
    assert result.returncode == 0
    assert (tmp_path / "out" / "index.html").exists()


def test_a_full_disk_is_reported(log: Path) -> None:
    result = in_shell("{} >/dev/full", "check", log)
    assert result.returncode == 2
    assert "standard output: cannot be written: No space left on device" in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize("words", [("fields",), ("--help",)])
def test_a_closed_pipe_is_not_an_error(words: tuple[str, ...]) -> None:
    result = in_shell("{} | true; exit ${{PIPESTATUS[0]}}", *words)
    assert result.returncode == 0
    assert result.stderr == ""


def test_a_terminal_without_dashes_gets_hyphens(log: Path) -> None:
    log.write_text(ROWS.replace("front", "fr–nt — Ж", 1), "utf-8")
    result = in_shell("{}", "check", log, PYTHONIOENCODING="latin-1")
    assert result.returncode == 0
    assert r"'fr-nt - \u0416' is not" in result.stdout


@pytest.mark.parametrize(
    ("words", "file"),
    [(("check", "{}"), "log/sessions.parquet"), (("simulate", "--sessions", "20"), "truth/steps.csv")],
)
def test_a_folder_name_that_is_not_valid_utf_8_can_be_written(
    log: Path, tmp_path: Path, words: tuple[str, ...], file: str
) -> None:
    out = os.fsdecode(os.fsencode(tmp_path) + b"/a\xff")
    result = in_shell("{}", *(word.format(log) for word in words), "--out", out)
    assert result.returncode == 0, result.stderr
    assert Path(out, file).exists()


def test_control_characters_of_an_export_do_not_reach_the_terminal(tmp_path: Path) -> None:
    export = tmp_path / "a\x1b]0;title\x07.csv"
    export.write_text(
        "session_id,bike_id,brake,technician,started_at,x\x1b]52;c;eA==\x07\n1,1,\x1b[31mred\u202e,W,2026-01-01,\n2,2,rear,W,2026-01-01,\n"
    )
    result = rebleed("check", str(export))
    assert result.returncode == 0
    assert r"'\x1b[31mred\u202e'" in result.stdout
    assert r"a\x1b]0;title\x07.csv" in result.stdout
    missing = rebleed("check", str(export) + "\x1b[2J")
    assert missing.returncode == 2
    assert not {"\x1b", "\x07", "\u202e"} & set(result.stdout + missing.stderr)


def test_printable_text_of_any_script_is_unchanged() -> None:
    text = "Zoë – 山田\u00a0太郎\n\tОльга 👍"
    assert escape_controls(text) == text
    assert escape_controls("a\rb\x9bc\u2028d") == r"a\x0db\x9bc\u2028d"


@pytest.mark.parametrize("words", [("audit", "{}.xlsx", "{}.parquet"), ("sheet",)])
def test_no_folder_for_temporary_files_is_needed(words: tuple[str, ...], tmp_path: Path) -> None:
    """As in a container whose file system is read-only but for the output."""
    table = pl.read_csv(ROWS.encode(), infer_schema=False)
    table.write_excel(tmp_path / "log.xlsx")
    table.with_columns(session_id="P" + pl.col("session_id")).rename({"note": "remark"}).write_parquet(
        tmp_path / "log.parquet"
    )
    code = "import tempfile; tempfile._candidate_tempdir_list = lambda: []; from analysis.cli import main; main()"
    call = [word.format(tmp_path / "log") for word in words]
    done = subprocess.run(
        [sys.executable, "-c", code, *call, "--out", str(tmp_path / "out")],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert (done.stderr, done.returncode) == ("", 0)
    assert list((tmp_path / "out").glob("*.html"))


def test_an_interrupt_is_reported(log: Path) -> None:
    code = "from analysis import cli; from analysis.commands import check as checking\ndef stop(*_):\n    import os, signal; os.kill(os.getpid(), signal.SIGINT)\nchecking.check_exports = stop\ncli.main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "check", str(log)], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.returncode == 128 + signal.SIGINT
    assert done.stderr == "rebleed interrupted: no incomplete files were left\n"


@pytest.mark.parametrize(
    ("problem", "message"),
    [
        (MemoryError(), "too little memory"),
        (ImportError("x.so: failed to map segment: Cannot allocate memory"), "too little memory"),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), "too little memory"),
        (RuntimeError("can't start new thread"), "cannot start more threads"),
        (BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable"), "cannot start more threads"),
        (BrokenProcessPool("a process was terminated abruptly"), "ended a process"),
        (OSError(errno.ENOSPC, "No space left on device", "out/x.csv"), "out/x.csv: cannot be written"),
        (PermissionError(errno.EACCES, "Permission denied", "in/x.csv"), "in/x.csv: cannot be used"),
        (OSError(errno.EMFILE, "Too many open files"), "cannot open more files"),
    ],
)
def test_an_error_of_the_machine_is_one_message(
    problem: BaseException, message: str, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise problem

    monkeypatch.setattr(check, "check_exports", refuse)
    result = rebleed("check", str(log))
    assert result.returncode == 2
    assert message in result.stderr
    assert len(result.stderr.splitlines()) <= 4


def test_a_bug_is_not_reported_as_an_error_of_the_machine(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert machine_error(KeyError("x")) is None
    assert machine_error(FileNotFoundError(errno.ENOENT, "No such file or directory", "x")) is None

    def fail(*_: object) -> None:
        raise KeyError("x")

    monkeypatch.setattr(check, "check_exports", fail)
    with contextlib.suppress(SystemExit), pytest.raises(KeyError):
        rebleed("check", str(log))


def test_python_without_docstrings_is_refused() -> None:
    done = subprocess.run([CALL[0], "-OO", *CALL[1:], "fields"], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 2
    assert "without -OO" in done.stderr
    assert cli.STATUS_ERROR == 2


@pytest.mark.parametrize("words", [("--help",), ("check",)])
def test_one_gigabyte_of_address_space_is_enough(words: tuple[str, ...], log: Path) -> None:
    """Stricter than a container of 1 GB, which counts used memory: measured, 18 MB for the help and 183 MB for a check."""
    two_threads = {"POLARS_MAX_THREADS": "2", "OPENBLAS_NUM_THREADS": "2"}
    result = in_shell("ulimit -v 1000000; {}", *words, *([log] if words == ("check",) else []), **two_threads)
    assert result.returncode == 0, result.stderr


def test_an_audit_with_too_little_address_space_stops_with_one_message(log: Path, tmp_path: Path) -> None:
    result = in_shell("ulimit -v 1000000; {}", "audit", log, "--out", tmp_path / "out")
    assert result.returncode == 2
    assert result.stderr.startswith("rebleed stopped: this machine: limits a process's address space to 1.0 GB")
    assert "ulimit -v unlimited" in result.stderr
