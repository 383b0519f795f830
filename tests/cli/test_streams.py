"""The command with streams closed, full, narrow or gone, with text that a terminal would obey, and on a machine that
refuses: one message, the right exit status, never a trace."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import subprocess
import sys
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest

from analysis import cli
from analysis.commands import check
from analysis.terminal import harmless, machine_refusal
from tests.cli.test_command import ROOT, Told, rebleed

CALL = [sys.executable, "-c", "from analysis.cli import main; main()"]
ROWS = "session_id,bike_id,brake,technician,started_at,note\n" + "".join(
    f"{n},B{n},front,Wren,2026-01-0{1 + n % 9},fine – ok\n" for n in range(12)
)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    (tmp_path / "sessions.csv").write_text(ROWS, "utf-8")
    return tmp_path / "sessions.csv"


def in_shell(line: str, *words: str | Path, **env: str) -> Told:
    """The command in a shell that opens and closes its streams: `{}` is the command."""
    call = line.format('"$@"')
    done = subprocess.run(
        ["bash", "-c", call, "bash", *CALL, *map(str, words)],
        capture_output=True,
        cwd=ROOT,
        env=os.environ | env,
        check=False,
    )
    return Told(done.returncode, done.stdout.decode("latin-1"), done.stderr.decode())


def test_standard_error_may_be_closed(log: Path) -> None:
    told = in_shell("{} 2>&-", "check", log)
    assert told.returncode == 0
    assert "12 accepted" in told.stdout


def test_every_stream_may_be_closed_and_no_file_takes_its_place(log: Path, tmp_path: Path) -> None:
    told = in_shell("{} <&- >&- 2>&-", "audit", log, "--out", tmp_path / "out")
    assert told.returncode == 0
    assert (tmp_path / "out" / "index.html").exists()


def test_standard_output_on_a_full_disk_is_told(log: Path) -> None:
    told = in_shell("{} >/dev/full", "check", log)
    assert told.returncode == 2
    assert "standard output: cannot be written: No space left on device" in told.stderr
    assert "Traceback" not in told.stderr


@pytest.mark.parametrize("words", [("fields",), ("--help",)])
def test_nobody_reading_on_is_no_error(words: tuple[str, ...]) -> None:
    told = in_shell("{} | true; exit ${{PIPESTATUS[0]}}", *words)
    assert told.returncode == 0
    assert told.stderr == ""


def test_a_terminal_without_dashes_gets_plain_ones(log: Path) -> None:
    log.write_text(ROWS.replace("front", "fr–nt — Ж", 1), "utf-8")
    told = in_shell("{}", "check", log, PYTHONIOENCODING="latin-1")
    assert told.returncode == 0
    assert r"'fr-nt - \u0416' is none of" in told.stdout


def test_a_folder_whose_name_is_no_text_can_be_written(log: Path, tmp_path: Path) -> None:
    out = os.fsdecode(os.fsencode(tmp_path) + b"/a\xff")
    told = in_shell("{}", "check", log, "--out", out)
    assert told.returncode == 0, told.stderr
    assert Path(out, "log", "sessions.parquet").exists()


def test_nothing_from_an_export_reaches_the_terminal_as_a_command(tmp_path: Path) -> None:
    export = tmp_path / "a\x1b]0;title\x07.csv"
    export.write_text(
        "session_id,bike_id,brake,technician,started_at,x\x1b]52;c;eA==\x07\n1,1,\x1b[31mred\u202e,W,2026-01-01,\n2,2,rear,W,2026-01-01,\n"
    )
    told = rebleed("check", str(export))
    assert told.returncode == 0
    assert r"'\x1b[31mred\u202e'" in told.stdout
    assert r"a\x1b]0;title\x07.csv" in told.stdout
    missing = rebleed("check", str(export) + "\x1b[2J")
    assert missing.returncode == 2
    assert not {"\x1b", "\x07", "\u202e"} & set(told.stdout + missing.stderr)


def test_printable_text_of_any_script_is_shown_as_it_is() -> None:
    text = "Zoë – 山田\u00a0太郎\n\tОльга 👍"
    assert harmless(text) == text
    assert harmless("a\rb\x9bc\u2028d") == r"a\x0db\x9bc\u2028d"


def test_an_interrupt_says_so(log: Path) -> None:
    code = "from analysis import checking, cli\ndef stop(*_):\n    import os, signal; os.kill(os.getpid(), signal.SIGINT)\nchecking.check_exports = stop\ncli.main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "check", str(log)], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.returncode == 128 + signal.SIGINT
    assert done.stderr == "rebleed: stopped; nothing half-written was left\n"


@pytest.mark.parametrize(
    ("problem", "said"),
    [
        (MemoryError(), "too little memory"),
        (ImportError("x.so: failed to map segment: Cannot allocate memory"), "too little memory"),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), "too little memory"),
        (RuntimeError("can't start new thread"), "no more threads"),
        (BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable"), "no more threads"),
        (BrokenProcessPool("a process was terminated abruptly"), "ended a process"),
        (OSError(errno.ENOSPC, "No space left on device", "out/x.csv"), "out/x.csv: cannot be written"),
        (PermissionError(errno.EACCES, "Permission denied", "in/x.csv"), "in/x.csv: may not be used"),
        (OSError(errno.EMFILE, "Too many open files"), "opens no more files"),
    ],
)
def test_what_the_machine_refuses_is_one_message(
    problem: BaseException, said: str, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise problem

    monkeypatch.setattr(check, "check_exports", refuse)
    told = rebleed("check", str(log))
    assert told.returncode == 2
    assert said in told.stderr
    assert len(told.stderr.splitlines()) <= 4


def test_a_fault_of_ours_is_no_refusal_of_the_machine(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert machine_refusal(KeyError("x")) is None
    assert machine_refusal(FileNotFoundError(errno.ENOENT, "No such file or directory", "x")) is None

    def fail(*_: object) -> None:
        raise KeyError("x")

    monkeypatch.setattr(check, "check_exports", fail)
    with contextlib.suppress(SystemExit), pytest.raises(KeyError):
        rebleed("check", str(log))


def test_python_without_docstrings_is_refused() -> None:
    done = subprocess.run([CALL[0], "-OO", *CALL[1:], "fields"], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 2
    assert "without -OO" in done.stderr
    assert cli.REFUSED == 2


@pytest.mark.parametrize("words", [("--help",), ("check",)])
def test_one_gigabyte_of_address_space_is_enough(words: tuple[str, ...], log: Path) -> None:
    """Harsher than a container of 1 GB, which counts what is used: measured, 18 MB for the help and 183 MB for a check."""
    two_threads = {"POLARS_MAX_THREADS": "2", "OPENBLAS_NUM_THREADS": "2"}
    told = in_shell("ulimit -v 1000000; {}", *words, *([log] if words == ("check",) else []), **two_threads)
    assert told.returncode == 0, told.stderr
