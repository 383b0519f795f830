"""One race: both programs on the same exports, in turns, each in a process of its own."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

THREADS = "2"
SIMULATE = "from analysis.cli import main; import sys; sys.argv.insert(1, 'simulate'); main()"
PROGRAMS = ("ours", "peer")
THREAD_NAMES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "POLARS_MAX_THREADS")


@dataclass(frozen=True)
class Lap:
    """One run of one program: seconds of the whole process, its peak memory, seconds of each stage."""

    program: str
    seconds: float
    peak_mb: float
    stages: dict[str, float]

    @property
    def beyond_imports(self) -> float:
        return self.seconds - self.stages["imports"]


@dataclass(frozen=True)
class Race:
    """All laps at one size."""

    sessions: int
    laps: tuple[Lap, ...]

    def median(self, program: str, of: str) -> float:
        return statistics.median(getattr(lap, of) for lap in self.laps if lap.program == program)

    def ratio(self, of: str) -> float:
        """Ours over the peer, the median of neighbouring pairs: what else the machine does hits both alike."""
        ours, peers = ([getattr(lap, of) for lap in self.laps if lap.program == name] for name in PROGRAMS)
        return statistics.median(a / b for a, b in zip(ours, peers, strict=True))

    def stages(self, program: str) -> dict[str, float]:
        mine = [lap.stages for lap in self.laps if lap.program == program]
        return {name: statistics.median(stages[name] for stages in mine) for name in mine[0]}


def raced(sessions: int, seed: int, times: int, work: Path, ours: str = sys.executable) -> Race:
    """Simulate exports once, then run both programs on them in turns.

    Parameters
    ----------
    sessions
        Bleeds.
    seed
        Of the simulated workshop.
    times
        Runs of each program.
    work
        A folder for the exports and what comes of them.
    ours
        The interpreter the audit runs in: an environment of its own, as its users have it, or this one, which has all
        that the peer needs too.
    """
    exports = work / f"exports-{sessions}"
    if not exports.exists():
        order = ["--out", str(exports), "--sessions", str(sessions), "--seed", str(seed)]
        subprocess.run([sys.executable, "-c", SIMULATE, *order], check=True, stdout=subprocess.DEVNULL)
    as_of = _newest_day(exports)
    return Race(sessions, tuple(_laps(exports, work, as_of, times, {"ours": ours, "peer": sys.executable})))


def _laps(exports: Path, work: Path, as_of: str, times: int, pythons: dict[str, str]) -> Iterator[Lap]:
    for turn in range(times):
        for program in PROGRAMS if turn % 2 else reversed(PROGRAMS):
            order = [pythons[program], "-m", f"tests.benchmarks.{program}", str(exports)]
            yield _lap(program, [*order, str(work / f"{program}-{exports.name}"), as_of])


def _lap(program: str, order: list[str]) -> Lap:
    began = time.perf_counter()
    with subprocess.Popen(order, stdout=subprocess.PIPE, env=_surroundings()) as run:
        assert run.stdout is not None
        report = run.stdout.read()
        _, status, used = os.wait4(run.pid, 0)
        run.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.perf_counter() - began
    if run.returncode:
        raise RuntimeError(f"{program} ended with {run.returncode}: {order}")
    return Lap(program, seconds, used.ru_maxrss / 1024, json.loads(report.decode().splitlines()[-1]))


def _surroundings() -> dict[str, str]:
    """Two threads each, which give way when they wait: on a busy machine spinning threads would slow the peer down.

    Both may keep their libraries compiled, as they are where they are used.
    """
    own = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return own | dict.fromkeys(THREAD_NAMES, THREADS) | {"OMP_WAIT_POLICY": "passive"}


def _newest_day(exports: Path) -> str:
    columns = {"sessions": "started_at", "comebacks": "returned_at"}
    days = [pl.read_csv(exports / f"{name}.csv", columns=[column])[column].max() for name, column in columns.items()]
    return max(str(day) for day in days)[:10]
