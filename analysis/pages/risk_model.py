"""How good the risks are: out of time, with intervals, beside simple rules; whether they are what they say, and still so."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import drift_dots, reliability_curve, rival_dots, second_check_curve
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.second_look import no_risk_sentence
from analysis.report import Report

QUESTION = "Is the risk model any good?"
TENTH, QUARTER = "observed_in_tenth_", "quarter_"
METRIC_WORDS = {
    "bleeds_foretold": "bleeds foretold and followed to their end",
    "auc": "how often the bleed that came back had the higher risk",
    "average_precision": "precision down the list, mean",
    "brier_skill": "squared error spared against the known rate",
    "log_loss": "log loss a bleed (lower is better)",
    "calibration_slope": "calibration slope (1 is right)",
    "calibration_intercept": "calibration intercept, log odds (0 is right)",
    "observed_over_expected": "comebacks over risks told",
    "brier_reliability": "squared error from wrong levels",
    "spread_technicians": "spread between technicians beyond chance (0 is fair)",
    "spread_brake_models": "spread between brake models beyond chance (0 is fair)",
}


def risk_model(report: Report) -> Question:
    """The model's figures: order, level, drift and fairness, each with its interval and what it must beat."""
    if report.model.is_empty():
        return Question("model", QUESTION, no_risk_sentence(report), action="Use no risk from this log.")
    model = report.model
    points = [_loss(model), _level(model), _slope(model), _drift(model), *_spread(model)]
    return Question(
        id="model",
        question=QUESTION,
        answer=_order(model),
        points=tuple(point for point in points if point),
        action=(
            "Trust the order of the risks no further than these figures go; distrust them where a quarter or a simple rule "
            "says so. No single risk is a clearance."
        ),
        charts=drawn(*_charts(report)),
        table=page_table(
            model.with_columns(metric=pl.col("metric").map_elements(metric_words, return_dtype=pl.String)),
            "Figures of the model, all out of time",
            {"metric": "figure", "value": "value", "lo": "from", "hi": "to", "baseline": "beside it", "against": "of"},
            "tables/model.csv",
        ),
        method=(
            "Each figure is out of time: a bleed was foretold by a model that knew only outcomes known before it. Bleeds not "
            "followed to their end are weighted or left out, never counted as good. The risks are of this shop's own work; "
            "after a change of people, kits or procedure they speak of the past."
        ),
    )  # fmt: skip


def metric_words(metric: str) -> str:
    """A figure of the model in words."""
    if metric.startswith(TENTH):
        return f"came back in tenth {int(metric.removeprefix(TENTH))} of the risks, 1 the lowest"
    if metric.startswith(QUARTER):
        return f"comebacks over risks told in {metric.removeprefix(QUARTER).replace('-', ' ')}"
    return METRIC_WORDS.get(metric, metric.replace("_", " "))


def _row(model: pl.DataFrame, metric: str) -> dict[str, Any] | None:
    found = model.filter(pl.col("metric") == metric, pl.col("value").is_not_null())
    return found.row(0, named=True) if found.height else None


def _rivals(model: pl.DataFrame, metric: str) -> pl.DataFrame:
    return model.filter(pl.col("metric") == metric, pl.col("value").is_not_null(), pl.col("baseline").is_not_null())


def _order(model: pl.DataFrame) -> str:
    own, size = _row(model, "auc"), _row(model, "bleeds_foretold")
    if own is None:
        return "How well the risks put bleeds in order is too few to tell."
    rivals = [
        f"by {against} {base:.0%}"
        for against, base in _rivals(model, "auc").select("against", "baseline").iter_rows()
        if against != "constant"
    ]
    beside = f" ({words.listed(rivals)}; by chance 50%)" if rivals else " (by chance 50%)"
    none = own["lo"] is not None and own["lo"] <= 0.5
    text = f"Of a bleed that came back and one that did not, the risks name the right one {words.share(own['value'], own['lo'], own['hi'])} of the time{beside}"
    if size is not None:
        among = f" with {words.count(int(size['baseline']), 'comeback')}" if size["baseline"] is not None else ""
        text += f", in {words.count(int(size['value']), 'bleed')}{among} foretold before their outcome was known"
    return text + (": no better than chance, as far as this log tells." if none else ".")


def _loss(model: pl.DataFrame) -> str:
    rivals = _rivals(model, "log_loss")
    if rivals.is_empty():
        return ""
    own = rivals.row(0, named=True)
    clear = own["value"] if own["hi"] is None else own["hi"]
    beaten = rivals.filter(pl.col("baseline") > clear).get_column("against").to_list()
    level = rivals.filter(pl.col("baseline") <= clear).get_column("against").to_list()
    text = f"Log loss {words.amount(own['value'], own['lo'], own['hi'])}: "
    text += f"clearly better than {words.listed(beaten)}" if beaten else "not clearly better than any simple rule"
    return text + (f", not clearly better than {words.listed(level)}." if level and beaten else ".")


def _level(model: pl.DataFrame) -> str:
    row = _row(model, "observed_over_expected")
    if row is None or row["lo"] is None:
        return ""
    verdict = (
        "as told"
        if row["lo"] <= 1 <= row["hi"]
        else "the risks are too low"
        if row["lo"] > 1
        else "the risks are too high"
    )
    return f"{words.amount(row['value'], row['lo'], row['hi'])} times as many came back as the risks told: {verdict}."


def _slope(model: pl.DataFrame) -> str:
    row = _row(model, "calibration_slope")
    if row is None or row["lo"] is None:
        return ""
    apart = "too far apart" if row["hi"] < 1 else "too close together"
    verdict = "the risks lie as far apart as they should" if row["lo"] <= 1 <= row["hi"] else f"the risks lie {apart}"
    return f"Calibration slope {words.amount(row['value'], row['lo'], row['hi'])}: {verdict}."


def _drift(model: pl.DataFrame) -> str:
    quarters = _quarters(model)
    off = quarters.filter((pl.col("lo") > 1) | (pl.col("hi") < 1))
    if quarters.is_empty():
        return ""
    if off.is_empty():
        return f"No drift beyond chance in {words.count(quarters.height, 'quarter')}."
    told = [f"{row['quarter']} {words.amount(row['value'], row['lo'], row['hi'])}" for row in off.iter_rows(named=True)]
    return f"Comebacks over risks told depart from 1 in {words.listed(told)} (1 in 20 quarters would by chance)."


def _spread(model: pl.DataFrame) -> list[str]:
    found = []
    for metric, who in (("spread_technicians", "technicians"), ("spread_brake_models", "brake models")):
        row = _row(model, metric)
        if row is not None and row["lo"] is not None:
            verdict = (
                "fair to all as far as this log tells"
                if row["lo"] <= 0
                else "some are told too much risk, some too little"
            )
            found.append(f"Spread between {who} {words.amount(row['value'], row['lo'], row['hi'])}: {verdict}.")
    return found


def _quarters(model: pl.DataFrame) -> pl.DataFrame:
    own = model.filter(pl.col("metric").str.starts_with(QUARTER), pl.col("value").is_not_null())
    return own.select(
        "value", "lo", "hi", quarter=pl.col("metric").str.strip_prefix(QUARTER).str.replace("-", " ")
    ).sort("quarter")


def _charts(report: Report) -> list[Any]:
    model, charts = report.model, []
    rivals = _rivals(model, "auc")
    if rivals.height:
        own = rivals.head(1).select(pl.lit("this model").alias("rule"), "value", "lo", "hi")
        rules = rivals.select(
            rule="against", value="baseline", lo=pl.lit(None, pl.Float64), hi=pl.lit(None, pl.Float64)
        )
        charts.append(
            titled(
                rival_dots(pl.concat([own, rules.sort("value", "rule", descending=[True, False])])),
                "in order, beside simple rules",
            )
        )
    tenths = (
        model.filter(pl.col("metric").str.starts_with(TENTH))
        .sort("metric")
        .select("lo", "hi", told="baseline", seen="value")
    )
    if tenths.get_column("seen").count():
        charts.append(titled(reliability_curve(tenths), "as told, tenth by tenth"))
    quarters = _quarters(model)
    if quarters.height:
        charts.append(titled(drift_dots(quarters), "drift, quarter by quarter"))
    checks = report.second_checks
    return charts + ([titled(second_check_curve(checks), "second checks")] if len(checks) else [])
