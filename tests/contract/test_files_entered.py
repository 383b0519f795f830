"""How many files a reader opens to follow a row from CSV to risk.csv, and the figure of one step.

Every call is traced; a file counts once one of its functions runs. Judging the risk model (backtest, baselines, other
classifiers) counts too: the stage that makes risk.csv does it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import numpy as np

import analysis.risk  # noqa: F401 - imported in the stage otherwise, and then what runs on import would count
from analysis.dataset import data_for_fitting
from analysis.intake import read_log
from analysis.output import csv_text
from analysis.stages import AuditSettings, run_follow_up, run_risk
from analysis.standard import built_in
from analysis.steps import step_costs
from tests.shops import exports

ROOT = Path(__file__).parents[2]
MAX_OF_A_ROW, MAX_OF_A_STEP = 67, 20
"""As many as there are now: a change may lower them."""


def files_entered(work: Callable[[], object]) -> set[str]:
    """The files of `analysis` and `schemas` of which a function runs."""
    entered: set[str] = set()

    def enter(frame: FrameType, event: str, _: object) -> None:
        if event == "call":
            entered.add(frame.f_code.co_filename)

    before = sys.getprofile()
    sys.setprofile(enter)
    try:
        work()
    finally:
        sys.setprofile(before)
    packages = [ROOT / name for name in ("analysis", "schemas")]
    paths = [Path(name) for name in entered]
    return {str(path.relative_to(ROOT)) for path in paths if any(map(path.is_relative_to, packages))}


def test_a_row_from_csv_to_the_risk_table() -> None:
    def row() -> None:
        log, settings = read_log(exports()), AuditSettings()
        followed, unit_cost = run_follow_up(log, built_in(), settings)
        risk = run_risk(log, followed.data, unit_cost, settings).risk
        assert csv_text(risk).count("\n") == log.sessions.height + 1

    files = files_entered(row)
    assert {"analysis/intake/load.py", "analysis/risk/hazard_model.py", "analysis/output/write.py"} <= files
    assert len(files) <= MAX_OF_A_ROW, sorted(files)


def test_the_figure_of_one_step() -> None:
    data = run_follow_up(read_log(exports()), built_in(), AuditSettings())[0].data
    learned = data_for_fitting(data, seed=1)
    files = files_entered(lambda: step_costs(data, np.random.default_rng(1), learned))
    assert {"analysis/steps/table.py", "analysis/survival/cox.py"} <= files
    assert len(files) <= MAX_OF_A_STEP, sorted(files)
