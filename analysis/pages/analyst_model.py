"""How good the risk model is on later bleeds: discrimination, calibration, drift, fairness, against simple rules."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import baseline_comparison, calibration_over_time, reliability_curve, second_check_curve
from analysis.charts.chart_tables import BASELINE_LABELS, DECILE, QUARTER, decile_rows, quarter_rows
from analysis.pages.lead_since import prediction_points
from analysis.pages.lead_worklist import no_risk_finding
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import estimate, interval, join_words, quantity
from analysis.report import Report

QUESTION = "Is the risk model any good?"
CONSTANT = "constant"
GRADES = ((0.8, "Good"), (0.7, "Fair"), (0.0, "Weak"))
"""Words for an AUC; common practice, no source."""
LITTLE_GAIN = 0.05
"""Share of the log loss up to which a reduction is small; our choice, no source."""
NET_BENEFIT = "net_benefit_at_"
METRIC_LABELS = {
    "bleeds_predicted": "later bleeds predicted, with complete follow-up",
    "auc": "AUC",
    "average_precision": "average precision",
    "brier_skill": "Brier skill score (reference: known rate)",
    "log_loss": "log loss per bleed (lower is better)",
    "log_loss_gain": "reduction in log loss per bleed (0 is no difference)",
    "calibration_slope": "calibration slope (1 is right)",
    "calibration_intercept": "calibration intercept, log odds (0 is right)",
    "observed_over_expected": "observed / predicted comebacks",
    "brier_reliability": "Brier score, reliability component (miscalibration)",
    "spread_technicians": "standard deviation of observed / predicted between technicians (0 is none)",
    "spread_brake_models": "standard deviation of observed / predicted between brake models (0 is none)",
}


def model_question(report: Report) -> Question:
    """Discrimination, calibration, drift and fairness, each with its interval and what it must beat."""
    if report.model.is_empty():
        return Question("model", QUESTION, no_risk_finding(report), action="Do not use risks from this log.")
    model = report.model
    points = [
        _log_loss_text(model),
        _observed_over_predicted_text(model),
        _calibration_slope_text(model),
        _drift_text(model),
        *_bias_points(model),
        *prediction_points(report)[:1],
    ]
    ranks_nothing = (pl.col("metric") == "auc") & pl.col("baseline_name").eq_missing(CONSTANT)
    table = model.filter(~ranks_nothing).with_columns(
        pl.col("baseline_name").replace(BASELINE_LABELS),
        metric=pl.col("metric").map_elements(metric_label, return_dtype=pl.String),
    )
    return Question(
        id="model",
        question=QUESTION,
        fold_charts=True,
        answer=_discrimination_finding(model),
        points=tuple(point for point in points if point),
        action=_action(model),
        charts=chart_specs(*_quality_charts(report)),
        table=page_table(
            table,
            "Model performance on later bleeds",
            {
                "metric": "figure", "value": "value", "lo": "95% low", "hi": "95% high", "baseline": "comparison",
                "baseline_name": "compared with",
            },
            "tables/model.csv",
        ),
        method=(
            "Every figure is tested on later bleeds: each was predicted by a model fitted only to outcomes known before it. "
            "Bleeds with incomplete follow-up are left out, never counted as good. The quarterly limits are simultaneous "
            "95% limits and allow for month-to-month variation. The risks describe this shop's "
            "own past work; after a change of people, kits or procedure they may be wrong."
        ),
    )  # fmt: skip


def _action(model: pl.DataFrame) -> str:
    """What not to use the risks for, as far as something was found."""
    drifting = _drifting(quarter_rows(model)).get_column("quarter").to_list()
    texts = [f"Do not rely on the risks in {join_words(drifting)}."] if drifting else []
    if rules := _about_as_good(model):
        texts.append(f"Where it is easier, use {join_words(rules, 'or')} instead.")
    return " ".join([*texts, "A low risk is never a pass."])


def _drifting(quarters: pl.DataFrame) -> pl.DataFrame:
    return quarters.filter((pl.col("lo") > 1) | (pl.col("hi") < 1))


def metric_label(metric: str) -> str:
    """A figure of the model in readable words."""
    if metric.startswith(DECILE):
        return f"observed rate in decile {int(metric.removeprefix(DECILE))} of predicted risk (1 is the lowest)"
    if metric.startswith(NET_BENEFIT):
        return f"net benefit per bleed, checking at a risk of {int(metric.removeprefix(NET_BENEFIT))}% or more"
    if metric.startswith(QUARTER):
        return f"observed / predicted in {metric.removeprefix(QUARTER).replace('-', ' ')}"
    return METRIC_LABELS.get(metric, metric.replace("_", " "))


def _find_metric_row(model: pl.DataFrame, metric: str) -> dict[str, Any] | None:
    rows = model.filter(pl.col("metric") == metric, pl.col("value").is_not_null())
    return rows.row(0, named=True) if rows.height else None


def _baseline_rows(model: pl.DataFrame, metric: str) -> pl.DataFrame:
    return model.filter(pl.col("metric") == metric, pl.col("value").is_not_null(), pl.col("baseline").is_not_null())


def _discrimination_finding(model: pl.DataFrame) -> Finding:
    auc, size = _find_metric_row(model, "auc"), _find_metric_row(model, "bleeds_predicted")
    if auc is None:
        return Finding("Too few comebacks to say how well the risks rank bleeds.")
    area = f"AUC {auc['value']:.2f}" + ("" if auc["lo"] is None else f", 95% interval {auc['lo']:.2f}–{auc['hi']:.2f}")
    if auc["lo"] is not None and auc["lo"] <= 0.5:
        text = f"Not clearly better than chance at ranking bleeds ({area})."
    else:
        grade = next(word for limit, word in GRADES if auc["value"] >= limit)
        text = f"{grade} at ranking later bleeds ({area})"
        level_with = [rule for rule in _not_clearly_beaten(model) if rule != CONSTANT]
        joint = "and" if grade == GRADES[-1][1] else "but"
        text += f", {joint} not clearly better than {join_words(level_with, 'or')}." if level_with else "."
    details = []
    if size is not None:
        bleeds = quantity(int(size["value"]), "bleed")
        with_comebacks = f" with {quantity(int(size['baseline']), 'comeback')}" if size["baseline"] is not None else ""
        details.append(bleeds + with_comebacks)
    rules = _baseline_rows(model, "auc").filter(pl.col("baseline_name") != CONSTANT).select("baseline_name", "baseline")
    details += [f"{BASELINE_LABELS.get(rule, rule)} {value:.2f}" for rule, value in rules.iter_rows()]
    return Finding(text, f"{'; '.join(details)}.")


def _not_clearly_beaten(model: pl.DataFrame) -> list[str]:
    """Simple rules against which no log loss is clearly saved, as readers call them."""
    return _rule_labels(_baseline_rows(model, "log_loss_gain").filter(~(pl.col("lo") > 0).fill_null(False)))


def _about_as_good(model: pl.DataFrame) -> list[str]:
    """Simple rules that the risks improve on by little at most: no clear gain alone may only mean too few comebacks."""
    gains = _baseline_rows(model, "log_loss_gain").filter(pl.col("lo") <= 0, pl.col("baseline_name") != CONSTANT)
    own = _find_metric_row(model, "log_loss")
    return [] if own is None else _rule_labels(gains.filter(pl.col("hi") <= LITTLE_GAIN * own["value"]))


def _rule_labels(rows: pl.DataFrame) -> list[str]:
    return [BASELINE_LABELS.get(name, name) for name in rows.get_column("baseline_name")]


def _log_loss_text(model: pl.DataFrame) -> str:
    baselines = _baseline_rows(model, "log_loss")
    if baselines.is_empty():
        return ""
    own = baselines.row(0, named=True)
    better_than = _rule_labels(_baseline_rows(model, "log_loss_gain").filter(pl.col("lo") > 0))
    level_with = _not_clearly_beaten(model)
    text = f"Log loss {estimate(own['value'], own['lo'], own['hi'])}: "
    text += (
        f"clearly better than {join_words(better_than)}" if better_than else "not clearly better than any simple rule"
    )
    return text + (f", not clearly better than {join_words(level_with)}." if level_with and better_than else ".")


def _observed_over_predicted_text(model: pl.DataFrame) -> str:
    row = _find_metric_row(model, "observed_over_expected")
    if row is None or row["lo"] is None:
        return ""
    verdict = ""
    if not row["lo"] <= 1 <= row["hi"]:
        verdict = ": the risks are too low" if row["lo"] > 1 else ": the risks are too high"
    return f"Observed/predicted {row['value']:.2f} ({interval(row['lo'], row['hi'])}){verdict}."


def _calibration_slope_text(model: pl.DataFrame) -> str:
    row = _find_metric_row(model, "calibration_slope")
    if row is None or row["lo"] is None:
        return ""
    verdict = "the risks are neither too extreme nor too similar"
    if not row["lo"] <= 1 <= row["hi"]:
        verdict = "the risks are too extreme" if row["hi"] < 1 else "the risks are too similar"
    return f"Calibration slope {estimate(row['value'], row['lo'], row['hi'])}: {verdict}."


def _drift_text(model: pl.DataFrame) -> str:
    quarters = quarter_rows(model)
    if quarters.is_empty():
        return ""
    drifting = _drifting(quarters)
    if drifting.is_empty():
        return f"No clear drift in {quantity(quarters.height, 'quarter')}."
    listed = [
        f"{row['quarter']}, {estimate(row['value'], row['lo'], row['hi'])}" for row in drifting.iter_rows(named=True)
    ]
    return f"Observed/predicted differs from 1 in {join_words(listed)} (simultaneous limits)."


def _bias_points(model: pl.DataFrame) -> list[str]:
    points = []
    for metric, group in (("spread_technicians", "technicians"), ("spread_brake_models", "brake models")):
        row = _find_metric_row(model, metric)
        if row is not None and row["lo"] is not None:
            verdict = (
                f"No evidence that the risks are too high for some {group} and too low for others"
                if row["lo"] <= 0
                else f"The risks are too high for some {group} and too low for others"
            )
            points.append(
                f"{verdict}: standard deviation of observed/predicted {estimate(row['value'], row['lo'], row['hi'])}."
            )
    return points


def _quality_charts(report: Report) -> list[Any]:
    model, charts = report.model, []
    if _baseline_rows(model, "auc").height:
        charts.append(with_title(baseline_comparison(report), "Discrimination (AUC) against simple rules"))
    if decile_rows(model).get_column("observed").count():
        charts.append(with_title(reliability_curve(report), "Calibration by decile"))
    if quarter_rows(model).height:
        charts.append(with_title(calibration_over_time(report), "Observed / predicted by quarter"))
    return charts + ([with_title(second_check_curve(report), "Second checks")] if len(report.second_checks) else [])
