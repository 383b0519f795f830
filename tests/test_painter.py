"""A painter in a process of its own draws what this process would, and leaves nothing behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from multiprocessing import active_children

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
        for child in active_children():
            child.kill()
            child.join()
        other = CHART.replace("line", "bar")
        assert beside.picture(other) == HERE.picture(other)


def test_what_cannot_be_drawn_is_told() -> None:
    with painter_beside() as beside, pytest.raises(ValueError, match="conversion failed"):
        beside.picture('{"mark": "rks"}')


def test_no_painter_outlives_its_audit() -> None:
    with painter_beside() as beside:
        beside.order(CHART)
    assert not active_children()


def test_no_painter_outlives_an_audit_that_is_killed() -> None:
    script = (
        "import multiprocessing as m, time\nfrom analysis.painter import painter_beside\n"
        "with painter_beside() as p:\n    p.library()\n    print(m.active_children()[0].pid, flush=True)\n    time.sleep(60)"
    )
    audit = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert audit.stdout is not None
    painter = int(audit.stdout.readline())
    audit.send_signal(signal.SIGKILL)
    audit.wait()
    assert gone(painter)


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
