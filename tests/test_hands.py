"""What is done beside is what would be done here; nothing is left behind, and nobody's script is run again."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analysis import hands
from analysis.audit import audit
from analysis.auditing import RISK_NEEDS
from analysis.errors import CannotRun
from analysis.hands import HERE, hands_beside
from analysis.output import csv_text
from analysis.standard import built_in, read_standard
from schemas import AUDIT_TABLES
from synthetic import family, made
from tests.worlds import log_of_made


def test_an_audit_beside_is_the_audit_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.asked.Asked.begin", lambda _: None)  # nothing is done here
    monkeypatch.setattr(hands, "_waited_for", lambda told, _: told.result()[0])  # nothing is done again
    for room in ("analysis.stages", "analysis.audit"):
        monkeypatch.setattr(sys.modules[room], "MANY", 0)  # rates are asked for too, risks written out
    log = log_of_made(made(family("base", 1000), 5))
    with hands_beside(2, RISK_NEEDS) as beside:
        assert beside.beside
        shared = audit(log, built_in(), hands=beside)
    alone = audit(log, built_in())
    assert alone.model_bytes
    assert b"".join(shared.risk_text).decode() == csv_text(alone.risk)
    assert not alone.risk_text
    assert (shared.model_bytes, shared.notes) == (alone.model_bytes, alone.notes)
    for name in AUDIT_TABLES:
        assert csv_text(getattr(shared, name)) == csv_text(getattr(alone, name)), name


def test_what_a_user_can_mend_is_told_as_here(tmp_path: Path) -> None:
    with hands_beside(1) as beside:
        answer = beside.ask(read_standard, str(tmp_path / "none.toml"), [])
        with pytest.raises(CannotRun) as told:
            answer()
    with pytest.raises(CannotRun) as expected:
        read_standard(str(tmp_path / "none.toml"), [])
    assert str(told.value) == str(expected.value)


def test_what_nobody_expects_is_told_as_here() -> None:
    with hands_beside(1) as beside, pytest.raises(TypeError):
        beside.ask(os.path.join, 3)()  # type: ignore[arg-type]


def test_what_died_is_done_here() -> None:
    with hands_beside(2) as beside:
        for child in children():
            os.kill(child, signal.SIGKILL)
        assert beside.ask(os.path.join, "a", "b")() == os.path.join("a", "b")


def test_it_is_done_beside() -> None:
    with hands_beside(1) as beside:
        assert beside.ask(os.getpid)() in children()


def test_one_core_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hands, "cores", lambda: 1)
    with hands_beside(2) as beside:
        assert beside is HERE
        assert not children()


def test_nothing_outlives_its_caller() -> None:
    with hands_beside(2) as beside:
        beside.ask(time.sleep, 60)
        working = children()
        assert len(working) == 2
    assert all(gone(child) for child in working)


def test_nothing_outlives_a_caller_that_is_killed() -> None:
    script = (
        "import time\nfrom analysis.hands import hands_beside\nfrom tests.test_hands import children\n"
        "with hands_beside(2) as h:\n    for _ in '12':\n        h.ask(time.sleep, 60)\n"
        "    time.sleep(1)\n    print(*children(), flush=True)\n    time.sleep(60)"
    )
    caller = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert caller.stdout is not None
    working = [int(number) for number in caller.stdout.readline().split()]
    caller.send_signal(signal.SIGKILL)
    caller.wait()
    caller.stdout.close()
    assert len(working) == 2
    assert all(gone(child) for child in working)


def test_a_script_without_a_guard_is_not_run_again(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "import os\nfrom analysis.hands import hands_beside\nprint('run')\n"
        "with hands_beside(2) as h:\n    print(h.ask(os.path.join, 'a', 'b')())\n"
    )
    told = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, check=True)
    assert (told.stdout, told.stderr) == (f"run\n{os.path.join('a', 'b')}\n", "")


def children() -> list[int]:
    """This process's children that lend a hand."""
    mine = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text().split()
    return [int(child) for child in mine if b"analysis.hands" in Path(f"/proc/{child}/cmdline").read_bytes()]


def gone(process: int) -> bool:
    for _ in range(100):
        try:
            os.kill(process, 0)
        except ProcessLookupError:
            return True
        with open(f"/proc/{process}/stat") as told:
            if told.read().rsplit(")", 1)[1].split()[0] == "Z":
                return True
        time.sleep(0.1)
    return False
