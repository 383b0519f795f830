"""The analyst's classifier against the risk model: same bleeds, same folds, which is better by an interval."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.audit_options import RISK_MODEL
from analysis.charts import baseline_comparison, reliability_curve
from analysis.pages.analyst_model import DECILE, QUARTER, metric_label
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import estimate, interval, join_words, quantity
from analysis.report import Report

OUR_LABEL = "the risk model"
COMPARED = ("auc", "log_loss", "log_loss_gain", "calibration_slope", "observed_over_expected", "net_benefit_at")


def comparison_questions(report: Report) -> list[Question]:
    """One question where other classifiers were given; none otherwise."""
    table = report.comparison
    if table.is_empty():
        return []
    others = [name for name in table.get_column("classifier").unique(maintain_order=True) if name != RISK_MODEL]
    answers = [_compare_with_ours(table, name) for name in others]
    rows = table.filter(
        ~pl.col("metric").str.starts_with(DECILE) & ~pl.col("metric").str.starts_with(QUARTER),
        pl.any_horizontal(pl.col("metric").str.starts_with(name) for name in COMPARED),
        pl.col("baseline_name").is_in([RISK_MODEL, "constant", "ideal"])
        | pl.col("metric").str.starts_with("net_benefit"),
    )
    return [
        Question(
            id="comparison",
            question=f"Is {join_words(others, 'or')} better than the risk model?",
            answer=Finding(" ".join(text for text, _ in answers), " ".join(detail for _, detail in answers)),
            points=tuple(point for name in others for point in _comparison_points(table, name)),
            action=(
                "Use the classifier with the lower log loss if the interval excludes zero; otherwise keep the one that is "
                "easier to explain."
            ),
            charts=chart_specs(*_comparison_charts(table, others)),
            table=page_table(
                rows.with_columns(
                    metric=pl.col("metric").map_elements(metric_label, return_dtype=pl.String),
                    classifier=pl.col("classifier").replace(RISK_MODEL, OUR_LABEL),
                    baseline_name=pl.col("baseline_name").replace(RISK_MODEL, OUR_LABEL),
                ),
                "Performance of each classifier on the same later bleeds",
                {
                    "classifier": "classifier", "metric": "figure", "value": "value", "lo": "95% low", "hi": "95% high",
                    "baseline": "comparison", "baseline_name": "compared with",
                },
                "tables/comparison.csv",
            ),
            method=(
                "Each classifier gets the same features as numbers, and predicts the same later bleeds, trained only on bleeds "
                "whose window had closed by then. The difference in log loss is taken bleed by bleed; its interval is clustered "
                "by bike. The risk model also learns from bleeds whose window is still open."
            ),
        )
    ]  # fmt: skip


def _find_metric_row(
    table: pl.DataFrame, classifier: str, metric: str, baseline: str | None = None
) -> dict[str, Any] | None:
    rows = table.filter(pl.col("classifier") == classifier, pl.col("metric") == metric, pl.col("value").is_not_null())
    rows = rows if baseline is None else rows.filter(pl.col("baseline_name") == baseline)
    return rows.row(0, named=True) if rows.height else None


def _compare_with_ours(table: pl.DataFrame, name: str) -> tuple[str, str]:
    """Which is better, and the figures behind it."""
    gain, size = (
        _find_metric_row(table, name, "log_loss_gain", RISK_MODEL),
        _find_metric_row(table, name, "bleeds_predicted"),
    )
    if gain is None or size is None or gain["lo"] is None:
        return f"Too few comebacks to compare {name}.", ""
    verdict = "not clearly better or worse than"
    if gain["lo"] > 0 or gain["hi"] < 0:
        verdict = "clearly better than" if gain["lo"] > 0 else "clearly worse than"
    bleeds, comebacks = quantity(int(size["value"]), "bleed"), quantity(int(size["baseline"]), "comeback")
    saved = f"Reduction in log loss per bleed {estimate(gain['value'], gain['lo'], gain['hi'])}; {bleeds}, {comebacks}."
    return f"{name} is {verdict} {OUR_LABEL}.", saved


def _comparison_points(table: pl.DataFrame, name: str) -> list[str]:
    points = []
    theirs, ours = _find_metric_row(table, name, "auc"), _find_metric_row(table, RISK_MODEL, "auc")
    if theirs and ours and theirs["lo"] is not None and ours["lo"] is not None:
        points.append(
            f"AUC: {name} {estimate(theirs['value'], theirs['lo'], theirs['hi'])}, {OUR_LABEL} "
            f"{estimate(ours['value'], ours['lo'], ours['hi'])}."
        )
    slope = _find_metric_row(table, name, "calibration_slope")
    if slope and slope["lo"] is not None:
        points.append(
            f"{name}: calibration slope {slope['value']:.2f} ({interval(slope['lo'], slope['hi'])}; 1 is right)."
        )
    return points


def _comparison_charts(table: pl.DataFrame, others: list[str]) -> list[Any]:
    names = [RISK_MODEL, *others]
    rows = [(name, row) for name in names if (row := _find_metric_row(table, name, "auc"))]
    auc = pl.DataFrame(
        [
            {"rule": OUR_LABEL if name == RISK_MODEL else name, **{k: row[k] for k in ("value", "lo", "hi")}}
            for name, row in rows
        ],
        schema={"rule": pl.String, "value": pl.Float64, "lo": pl.Float64, "hi": pl.Float64},
    )
    charts = [with_title(baseline_comparison(auc), "Discrimination (AUC)")] if rows else []
    for name in names:
        deciles = table.filter(pl.col("classifier") == name, pl.col("metric").str.starts_with(DECILE)).sort("metric")
        deciles = deciles.select("lo", "hi", predicted="baseline", observed="value")
        if deciles.get_column("observed").count():
            title = f"Calibration of {OUR_LABEL if name == RISK_MODEL else name}"
            charts.append(with_title(reliability_curve(deciles), title))
    return charts
