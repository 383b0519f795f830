"""A worker gives what this process would give, is gone when it is done, and never runs the caller's script again."""

from __future__ import annotations

import datetime as dt
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from analysis import parallel
from analysis.audit import AuditSettings, run_audit, run_stages
from analysis.commands.run_audit import WORKER_MODULES
from analysis.errors import UserError
from analysis.output import csv_text
from analysis.parallel import BrokenProcessPool, SerialExecutor, WorkerExecutor, worker
from analysis.report import Clock
from analysis.standard import built_in, read_standard
from schemas import AUDIT_TABLES
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made

ENDS_WITH_ITS_PARENT = """
import os, sys, time
from analysis.parallel import WorkerExecutor
with WorkerExecutor() as executor:
    print(executor.submit(os.getpid).result(), flush=True)
    executor.submit(time.sleep, 60)
    time.sleep(60)
"""


def identity(value: object) -> object:
    return value


def length_and_sum(table: pl.DataFrame) -> tuple[int, float]:
    return table.height, table.get_column("a").sum()


def test_an_audit_with_a_worker_gives_the_bytes_of_one_without() -> None:
    log = log_of_made(simulate(scenario_workshop("base", 1000), 5))
    with worker(*WORKER_MODULES) as executor:
        assert isinstance(executor, WorkerExecutor)
        shared = run_stages(log, built_in(), AuditSettings(), Clock(), executor)
    alone = run_audit(log, built_in())
    assert alone.model_bytes
    assert (shared.model_bytes, shared.notes) == (alone.model_bytes, alone.notes)
    for name in AUDIT_TABLES:
        assert csv_text(getattr(shared, name)) == csv_text(getattr(alone, name)), name


@pytest.mark.parametrize("make", [SerialExecutor, WorkerExecutor])
def test_errors_are_raised_by_the_future(make: type[SerialExecutor | WorkerExecutor], tmp_path: Path) -> None:
    missing = str(tmp_path / "none.toml")
    with pytest.raises(UserError) as expected:
        read_standard(missing, [])
    with make() as executor:
        with pytest.raises(UserError) as raised:
            executor.submit(read_standard, missing, []).result()
        with pytest.raises(TypeError):
            executor.submit(os.path.join, 3).result()
    assert str(raised.value) == str(expected.value)


@pytest.mark.parametrize(
    "table",
    [
        pl.DataFrame(),
        pl.DataFrame(schema={"a": pl.Enum(["x"]), "b": pl.Categorical, "c": pl.Datetime("us"), "d": pl.List(pl.Int8)}),
        pl.DataFrame(
            {"a": [dt.date(2024, 2, 29), None], "b": [None, True], "c": ["", None], "d": [float("nan"), -0.0]}
        ),
    ],
)
def test_a_table_arrives_and_comes_back_as_it_was(table: pl.DataFrame) -> None:
    with WorkerExecutor() as executor:
        assert_frame_equal(executor.submit(identity, table).result(), table)


def test_a_long_table_arrives_in_one_piece_and_its_sum_is_the_sum_here() -> None:
    table = pl.DataFrame({"a": np.random.default_rng(1).gamma(0.1, size=1_000_000)})
    with WorkerExecutor() as executor:
        assert executor.submit(identity, table).result().n_chunks() == 1
        assert executor.submit(length_and_sum, table).result() == length_and_sum(table)


def test_a_worker_that_dies_breaks_its_futures_and_the_next_task_gets_another() -> None:
    with WorkerExecutor() as executor:
        first = executor.submit(os.getpid).result()
        with pytest.raises(BrokenProcessPool):
            executor.submit(os.abort).result()
        assert executor.submit(os.getpid).result() not in (first, os.getpid())


@pytest.mark.parametrize("error", [OSError, ImportError])
def test_where_no_process_can_be_started_all_runs_here(error: type[Exception], monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: object) -> None:
        raise error

    monkeypatch.setattr(WorkerExecutor, "_start", refuse)
    with worker() as executor:
        assert executor.submit(os.getpid).result() == os.getpid()


def test_a_single_core_is_not_shared(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parallel, "_count_cores", lambda: 1)
    with worker() as executor:
        assert executor.submit(os.getpid).result() == os.getpid()


def test_a_busy_worker_ends_with_its_block_whatever_is_still_to_be_sent() -> None:
    with WorkerExecutor() as executor:
        process = executor.submit(os.getpid).result()
        executor.submit(time.sleep, 60)
        for _ in range(3):
            executor.submit(len, np.zeros(1_000_000))
        start = time.perf_counter()
    assert time.perf_counter() - start < 30
    assert gone(process)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_worker_ends_with_its_parent(number: signal.Signals) -> None:
    program = [sys.executable, "-c", ENDS_WITH_ITS_PARENT]
    with subprocess.Popen(program, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        process = int(parent.stdout.readline())
        parent.send_signal(number)
        parent.wait(30)
    assert gone(process)


def test_an_interrupt_is_left_to_the_parent() -> None:
    with WorkerExecutor() as executor:
        os.kill(executor.submit(os.getpid).result(), signal.SIGINT)
        assert executor.submit(identity, 3).result() == 3


@pytest.mark.parametrize("how", ["script", "-c", "stdin"])
def test_a_program_without_a_guard_is_not_run_again_and_nothing_is_left_on_its_streams(
    how: str, tmp_path: Path
) -> None:
    program = (
        "import os\nfrom analysis.parallel import WorkerExecutor\nprint('run', flush=True)\n"
        "with WorkerExecutor() as executor:\n"
        "    executor.submit(os.write, 1, b'noise').result()\n    executor.submit(os.write, 2, b'noise').result()\n"
        "    print(executor.submit(os.path.basename, 'a/b').result())\n"
    )
    script = tmp_path / "script.py"
    script.write_text(program)
    arguments = {"script": [str(script)], "-c": ["-c", program], "stdin": ["-"]}[how]
    inputs = program if how == "stdin" else None
    ran = subprocess.run([sys.executable, *arguments], input=inputs, capture_output=True, text=True, check=True)
    assert (ran.stdout, ran.stderr) == ("run\nb\n", "")


def gone(process: int) -> bool:
    """Whether a process ends within ten seconds; one that nobody has waited for yet has ended."""
    for _ in range(100):
        try:
            state = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0]
        except (FileNotFoundError, ProcessLookupError):
            return True
        if state == "Z":
            return True
        time.sleep(0.1)
    return False
