"""A report with a risk model's tables in it, drawn by hand: what the pages must tell when a run has them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl

from analysis.report import Report
from schemas import checked, empty, outputs

FIGURES: list[tuple[str, float, float | None, float | None, float | None, str | None]] = [
    ("log_loss", 0.21, 0.19, 0.23, 0.24, "constant"),
    ("calibration_slope", 0.97, 0.81, 1.13, 1.0, "perfect"),
    ("comebacks_foretold", 51.0, None, None, None, None),
]


def foretold(report: Report, listed: int = 4) -> Report:
    """The report with risks of 5 to 50% for its newest bleeds, the first of them on the worklist."""
    newest = report.log.sessions.sort("started_at", "session_id", descending=True).get_column("session_id").head(40)
    risks = [
        {
            "session_id": bleed, "risk": 0.5 - at / 100, "risk_lo": 0.4 - at / 100, "risk_hi": 0.6 - at / 100,
            "reason_1": "bubbles still came" if at % 2 == 0 else None, "reason_2": None, "reason_3": None,
            "out_of_time": True, "model_risk": 0.5 - at / 100, "on_worklist": at < listed,
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
    figures = [dict(zip(("metric", "value", "lo", "hi", "baseline", "against"), row, strict=True)) for row in FIGURES]
    return replace(
        report,
        too_few=False,
        risk=_table(outputs.Risk, risks),
        second_checks=_table(outputs.SecondChecks, checks),
        model=_table(outputs.ModelQuality, figures),
    )


def _table(model: Any, rows: list[dict[str, Any]]) -> Any:
    return checked(model, pl.DataFrame(rows, schema=empty(model).schema))
