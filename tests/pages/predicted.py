"""A report with a risk model's tables in it, drawn by hand: what the pages must tell when a run has them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import polars as pl

from analysis.pages import prepare_pages
from analysis.report import Report
from schemas import empty, outputs, validate_table
from tests.shops import report

FIGURES: list[tuple[str, float, float | None, float | None, float | None, str | None]] = [
    ("auc", 0.72, 0.66, 0.78, 0.5, "constant"),
    ("auc", 0.72, 0.66, 0.78, 0.64, "lever travel"),
    ("auc", 0.72, 0.66, 0.78, 0.61, "missed steps"),
    ("bleeds_predicted", 690.0, None, None, 41.0, "comebacks among them"),
    ("calibration_slope", 0.71, 0.52, 0.9, 1.0, "ideal"),
    ("log_loss", 0.21, 0.19, 0.23, 0.24, "constant"),
    ("log_loss", 0.21, 0.19, 0.23, 0.20, "default trees"),
    ("log_loss_gain", 0.03, 0.01, 0.05, 0.0, "constant"),
    ("log_loss_gain", -0.01, -0.03, 0.01, 0.0, "default trees"),
    ("observed_over_expected", 1.04, 0.81, 1.33, 1.0, "ideal"),
    *((f"observed_in_tenth_{n:02d}", 0.02 * n, 0.01 * n, 0.03 * n, 0.018 * n, "predicted risk") for n in range(1, 11)),
    ("quarter_2025-Q3", 0.9, 0.5, 1.5, 1.0, "ideal"),
    ("quarter_2025-Q4", 1.9, 1.2, 2.9, 1.0, "ideal"),
    ("spread_technicians", 0.2, 0.0, 0.4, 0.0, "ideal"),
]


def with_predictions(audited: Report, listed: int = 4) -> Report:
    """The report with risks of 5 to 50% for its newest bleeds, the first of them on the worklist."""
    newest = audited.log.sessions.sort("started_at", "session_id", descending=True).get_column("session_id").head(40)
    risks = [
        {
            "session_id": bleed, "risk": 0.5 - at / 100, "risk_lo": 0.4 - at / 100, "risk_hi": 0.6 - at / 100,
            "reason_1": "bubbles still came" if at % 2 == 0 else None, "reason_2": None, "reason_3": None,
            "out_of_time": True, "in_sample_risk": 0.5 - at / 100, "on_worklist": at < listed,
        }
        for at, bleed in enumerate(newest)
    ]  # fmt: skip
    checks = [
        {
            "share": share, "checks_per_week": 40 * share, "threshold": 0.4 - share / 3, "caught_per_100_comebacks": caught,
            "precision": 0.06 * caught / (100 * share), "net_benefit": 0.01, "minutes_saved": 900 - 4000 * share,
        }
        for share, caught in ((0.05, 21.0), (0.1, 34.0), (0.2, 51.0), (0.5, 80.0))
    ]  # fmt: skip
    figures = [
        dict(zip(("metric", "value", "lo", "hi", "baseline", "baseline_name"), row, strict=True)) for row in FIGURES
    ]
    return replace(
        audited,
        small_sample=False,
        risk=_table(outputs.Risk, risks),
        second_checks=_table(outputs.SecondChecks, checks),
        model=_table(outputs.ModelQuality, figures),
    )


@cache
def predicted_pages() -> Path:
    """A folder with the pages of that report: made once for all tests that open them."""
    folder = Path(mkdtemp(prefix="rebleed-pages-"))
    for page in prepare_pages(with_predictions(report()))():
        (folder / page.file).write_text(page.text, encoding="utf-8")
    return folder


def _table(model: Any, rows: list[dict[str, Any]]) -> Any:
    return validate_table(model, pl.DataFrame(rows, schema=empty(model).schema))
