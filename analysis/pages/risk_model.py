"""How good the risks are: out of time, with intervals, beside simple rules."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import metric_dots, second_check_curve
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table
from analysis.pages.second_look import no_risk_sentence
from analysis.report import Report

QUESTION = "Is the risk model any good?"


def risk_model(report: Report) -> Question:
    """The model's figures, each with its interval beside the simple rule it must beat."""
    if report.model.is_empty():
        return Question("model", QUESTION, no_risk_sentence(report), action="Use no risk from this log.")
    told = report.model.filter(pl.col("value").is_not_null())
    beside = told.filter(pl.col("baseline").is_not_null())
    first = (beside if beside.height else told).head(1)
    rest = told.join(first, on="metric", how="anti", maintain_order="left")
    return Question(
        id="model",
        question=QUESTION,
        answer=" ".join(f"{_figure(row)}." for row in first.iter_rows(named=True)) or "Too few to tell.",
        points=tuple(f"{_figure(row)}." for row in rest.head(6).iter_rows(named=True)),
        action="Trust the order of the risks no further than these figures go, and no single risk as a clearance.",
        charts=drawn(*_charts(report, beside)),
        table=page_table(
            report.model.with_columns(pl.col("metric", "against").str.replace_all("_", " ")),
            "Figures of the model",
            {"metric": "figure", "value": "out of time", "lo": "from", "hi": "to", "baseline": "simple rule", "against": "which rule"},
            "tables/model.csv",
        ),
        method=(
            "Each figure is out of time: a bleed was foretold by a model that knew only outcomes known before it. Bleeds not "
            "followed to their end are weighted or left out, never counted as good. The risks are of this shop's own work; "
            "after a change of people, kits or procedure they speak of the past."
        ),
    )  # fmt: skip


def _charts(report: Report, beside: pl.DataFrame) -> list[Any]:
    charts = [metric_dots(beside)] if beside.height else []
    return charts + ([second_check_curve(report.second_checks)] if len(report.second_checks) else [])


def _figure(row: dict[str, Any]) -> str:
    known = row["lo"] is not None and row["hi"] is not None
    value = words.amount(row["value"], row["lo"], row["hi"]) if known else f"{row['value']:.3g}"
    text = f"{row['metric'].replace('_', ' ')}: {value}"
    if row["baseline"] is None:
        return text
    return f"{text}, where {(row['against'] or 'a simple rule').replace('_', ' ')} has {row['baseline']:.3g}"
