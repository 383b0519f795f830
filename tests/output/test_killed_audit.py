"""An audit killed at any moment leaves the old folder or the new one, not a mixture."""

from __future__ import annotations

import pickle
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.pages import render_pages

ROOT = Path(__file__).parents[2]


def killed(work: Path, kills: int, what: str) -> list[str]:
    order = [sys.executable, "-m", "tests.output.killed", str(work), str(kills), "7", what]
    return subprocess.run(order, check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT).stdout.splitlines()


@pytest.fixture
def work(tmp_path: Path) -> Path:
    """Two small logs with their audits."""
    for name, bleeds in (("a", 12), ("b", 15)):
        (tmp_path / name).mkdir()
        rows = [f"{i},b{i},front,Wren,2026-01-{1 + i:02d},78\n" for i in range(bleeds)]
        head = "session_id,bike_id,brake,technician,started_at,lever_reach_mm\n"
        (tmp_path / name / "sessions.csv").write_text(head + "".join(rows))
        report = audit_exports(AuditOptions((str(tmp_path / name),), tmp_path / "made")).report
        (tmp_path / f"{name}.pickle").write_bytes(pickle.dumps((report, render_pages(report)())))
    return tmp_path


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
