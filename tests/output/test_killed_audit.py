"""An audit killed at any moment leaves the old folder or the new one, not a mixture."""

from __future__ import annotations

import pickle
import subprocess
import sys
from pathlib import Path

import pytest

from analysis import read_log, run_audit
from analysis.pages import prepare_pages

ROOT = Path(__file__).parents[2]


def killed(work: Path, kills: int, what: str) -> list[str]:
    order = [sys.executable, "-m", "tests.output.killed", str(work), str(kills), "7", what]
    return subprocess.run(order, check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT).stdout.splitlines()


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two small logs with their audits."""
    folder = tmp_path_factory.mktemp("killed")
    for name, bleeds in (("a", 12), ("b", 15)):
        (folder / name).mkdir()
        rows = [f"{i},b{i},front,Wren,2026-01-{1 + i:02d},78\n" for i in range(bleeds)]
        head = "session_id,bike_id,brake,technician,started_at,lever_reach_mm\n"
        (folder / name / "sessions.csv").write_text(head + "".join(rows))
        report = run_audit(read_log(folder / name))
        (folder / f"{name}.pickle").write_bytes(pickle.dumps((report, prepare_pages(report)())))
    return folder


def stands_whole(result: list[str], kills: int) -> None:
    assert set(result[:-1]) <= {"before", "after"}, result
    assert len(result) == kills + 1
    assert result[-1] == "left beside: [] the next run's own: True"


def test_a_run_killed_while_it_writes_leaves_the_old_folder_or_the_new_one(work: Path) -> None:
    stands_whole(killed(work, 12, "writing"), 12)


@pytest.mark.slow
@pytest.mark.parametrize(("what", "kills"), [("whole", 100), ("writing", 100)])
def test_two_hundred_random_kills_leave_the_old_folder_or_the_new_one(work: Path, what: str, kills: int) -> None:
    result = killed(work, kills, what)
    stands_whole(result, kills)
    assert {"before", "after"} <= set(result), "kills must fall on both sides of the move"
