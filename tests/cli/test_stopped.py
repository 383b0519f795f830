"""Commands ended by a signal or a closed pipe: exit status, message, no incomplete files."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analysis.commands.terminal import SignalReceived, stop_on_signals
from analysis.output import key_path, run_lock
from tests.cli.test_command import ROOT, rebleed
from tests.shops import exports

CALL = [sys.executable, "-c", "from analysis.cli import main; main()"]


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_an_audit_with_one_line_and_leaves_nothing(tmp_path: Path, name: str) -> None:
    number = getattr(signal, name)
    words = ["audit", str(exports()), "--out", str(tmp_path / "out")]
    before = signal.signal(
        number, signal.default_int_handler
    )  # the tests may run under nohup, and a child inherits that
    try:
        run = subprocess.Popen([*CALL, *words], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    finally:
        signal.signal(number, before)
    with run:
        while not (tmp_path / ".out.rebleed-lock").exists():
            assert run.poll() is None
            time.sleep(0.02)
        time.sleep(0.5)
        run.send_signal(number)
        out, err = run.communicate()
    assert (run.returncode, out, err) == (128 + number, b"", b"rebleed interrupted: no incomplete files were left\n")
    assert list(tmp_path.iterdir()) == []


def _fails_in_a_library(number: int) -> None:
    with stop_on_signals():
        try:
            os.kill(os.getpid(), number)
            time.sleep(1)
        except SignalReceived as received:
            raise ValueError("a function called by the library failed") from received


def test_an_error_that_a_library_raises_for_a_signal_is_the_signal() -> None:
    with pytest.raises(SignalReceived) as end:
        _fails_in_a_library(signal.SIGTERM)
    assert end.value.code == 128 + signal.SIGTERM
    with pytest.raises(ValueError, match="no signal"), stop_on_signals():
        raise ValueError("no signal")


def test_a_signal_that_the_caller_ignores_stays_ignored(tmp_path: Path) -> None:
    """As under nohup."""
    code = (
        "import signal\nsignal.signal(signal.SIGHUP, signal.SIG_IGN)\nfrom analysis.cli import stop_on_signals\n"
        "with stop_on_signals():\n    signal.raise_signal(signal.SIGHUP)\nprint('continued')"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert result.stdout == "continued\n"


def test_a_closed_pipe_ends_the_command_without_a_message() -> None:
    with subprocess.Popen([*CALL, "fields"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        assert run.stdout is not None
        run.stdout.close()
        assert run.stderr is not None
        assert run.stderr.read() == b""
    assert run.returncode == 0


def test_a_run_on_a_locked_folder_leaves_the_key_to_names_unchanged(tmp_path: Path) -> None:
    """Of two audits at once the second must not change the key of the first."""
    (tmp_path / "s.csv").write_text("session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n")
    (tmp_path / "r.csv").write_text("item,technician,reading\n1,Lee,1\n1,Lee,2\n1,Wren,1\n2,Lee,3\n2,Wren,4\n")
    for words in (("audit", str(tmp_path / "s.csv")), ("gauge", str(tmp_path / "r.csv"))):
        with run_lock(tmp_path / "out"):
            result = rebleed(*words, "--hide-names", "--out", str(tmp_path / "out"))
        assert "another run is writing" in result.stderr
        assert not key_path(tmp_path / "out").exists()
