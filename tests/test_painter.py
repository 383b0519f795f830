"""A painter in a process of its own draws what this process would, and leaves nothing behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analysis.painter import HERE, painter_beside

CHART = json.dumps(
    {
        "data": {"values": [{"month": 1, "rate": 0.1}, {"month": 2, "rate": 0.2}]},
        "mark": "line",
        "encoding": {
            "x": {"field": "month", "type": "quantitative"},
            "y": {"field": "rate", "type": "quantitative"},
        },
    }
)


def test_both_painters_draw_the_same() -> None:
    with painter_beside() as beside:
        beside.order(CHART)
        assert beside.picture(CHART) == HERE.picture(CHART)
        assert beside.library() == HERE.library()


def test_a_painter_that_died_is_stood_in_for() -> None:
    with painter_beside() as beside:
        beside.picture(CHART)
        for child in children():
            os.kill(child, signal.SIGKILL)
            assert gone(child)
        other = CHART.replace("line", "bar")
        assert beside.picture(other) == HERE.picture(other)


def test_what_cannot_be_drawn_is_told() -> None:
    with painter_beside() as beside, pytest.raises(ValueError, match="conversion failed"):
        beside.picture('{"mark": "rks"}')


def test_no_painter_outlives_its_audit() -> None:
    with painter_beside() as beside:
        beside.order(CHART)
        painting = children()
        assert painting
    assert all(gone(child) for child in painting)


def test_no_painter_outlives_an_audit_that_is_killed() -> None:
    script = (
        "import time\nfrom analysis.painter import painter_beside\nfrom tests.test_painter import children\n"
        "with painter_beside() as p:\n    p.library()\n    print(*children(), flush=True)\n    time.sleep(60)"
    )
    audit = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert audit.stdout is not None
    painting = [int(number) for number in audit.stdout.readline().split()]
    audit.send_signal(signal.SIGKILL)
    audit.wait()
    assert painting
    assert all(gone(child) for child in painting)


def test_a_script_without_a_guard_is_not_run_again(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "from analysis.painter import painter_beside\nprint('run')\nwith painter_beside() as p:\n    p.library()\n"
    )
    told = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, check=True)
    assert (told.stdout, told.stderr) == ("run\n", "")


def children() -> list[int]:
    """This process's children that draw."""
    mine = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text().split()
    return [int(child) for child in mine if b"painter.py" in Path(f"/proc/{child}/cmdline").read_bytes()]


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
