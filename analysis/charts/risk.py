"""Risks of bleeds with their intervals, what second checks cover, and the model's figures against simple rules."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import polars as pl

from analysis.charts.chart_tables import Source, auc_rows, decile_rows, quarter_rows, table_from_source, worklist_rows
from analysis.charts.own_look import with_built_in_look
from analysis.charts.theme import (
    CHANCE,
    HIGH,
    LOW,
    NARROW,
    PERCENT,
    PLAIN,
    ROW_PX,
    UNTITLED,
    WIDTH,
    conditional,
    interval_rule,
    layer_charts,
    vertical_line,
    x_at,
    y_at,
)
from analysis.errors import UserError
from analysis.report import Report

MAX_LABELS = 24
MAX_BLEEDS = 200
MAX_RATIO = 8.0
"""An upper limit above this is an arrow at the edge of the chart."""
DASHED = [4, 3]
RISK_AXIS = {**PERCENT, "title": "risk of a comeback within the window"}
SHARE_AXIS = {**PERCENT, "title": "share of bleeds checked a second time"}
CURVE_WIDTH = WIDTH // 2 + 60
CAUGHT_AXIS = {"title": "comebacks covered, per 100", "format": ".0f"}
AUC_AXIS = {"format": ".2f", "tickCount": 6, "title": "AUC (dashed: a coin toss)"}
RATIO_AXIS = {"title": "observed / predicted", "format": ".2~f"}


@with_built_in_look
def worklist_dots(selection: Source, overall: float | None = None) -> alt.LayerChart | alt.FacetChart:
    """One row per bleed, highest risk first: its risk with the 95% interval; a line marks the rate of all bleeds.

    Parameters
    ----------
    selection
        Rows of `schemas.outputs.Risk` in list order, with bike_id and brake if known; from a report, its worklist.
    overall
        Rate of all bleeds, as a fraction; without it there is no line. Not needed with a report.
    """
    if isinstance(selection, Report):
        if overall is None:
            overall = selection.rates.filter(pl.col("kind") == "all").get_column("rate")[0]
        selection = worklist_rows(selection)
    listed = _require_few_rows(table_from_source(selection, "risk"))
    absent = [pl.lit("").alias(name) for name in ("bike_id", "brake") if name not in listed.columns]
    rows = listed.with_columns(absent).select(
        "session_id", "bike_id", "brake", "risk", "risk_lo", "risk_hi", "reason_1",
        label=pl.format("{} {}", "session_id", "brake"),
    )  # fmt: skip
    base = alt.Chart(rows, width=WIDTH, height=ROW_PX * max(rows.height, 1)).encode(
        y=alt.Y("label:N", title="job", sort=None, axis=UNTITLED)
    )
    dots = base.mark_point(filled=True, size=80, opacity=1, color=HIGH, shape="triangle-up").encode(
        x=alt.X("risk:Q", title="risk", axis=RISK_AXIS),
        tooltip=[
            alt.Tooltip("session_id:N", title="job"),
            alt.Tooltip("bike_id:N", title="bike"),
            alt.Tooltip("risk:Q", title="risk", format=".1%"),
            alt.Tooltip("risk_lo:Q", title="from", format=".1%"),
            alt.Tooltip("risk_hi:Q", title="to", format=".1%"),
            alt.Tooltip("reason_1:N", title="main reason"),
        ],
    )
    line = [] if overall is None else [vertical_line(overall, RISK_AXIS, DASHED)]
    words = "; ".join(f"{i} {r:.0%}" for i, r in rows.select("session_id", "risk").head(12).iter_rows())
    return layer_charts(*line, interval_rule(base, "risk_lo", "risk_hi", RISK_AXIS), dots).properties(
        description=f"Risk of the bleeds to check a second time: {words}"
    )


@with_built_in_look
def second_check_curve(second_checks: Source, per_week: float | None = None) -> alt.LayerChart | alt.FacetChart:
    """Comebacks covered by the checks, per 100, by the share of bleeds checked; dashed: as many bleeds picked at random.

    A slider sets the number of checks a week, and the chart shows what they cover and save, read off between the rows of
    the table.

    Parameters
    ----------
    second_checks
        The report, or its `second_checks`.
    per_week
        Where the slider starts; by default the number that saves the most bench time.
    """
    second_checks = table_from_source(second_checks, "second_checks").sort("share")
    line = (
        alt.Chart(second_checks, width=CURVE_WIDTH, height=240)
        .mark_line(color=LOW, point=True)
        .encode(
            x=alt.X("share:Q", title="share checked", axis=SHARE_AXIS),
            y=alt.Y(
                "caught_per_100_comebacks:Q",
                title="comebacks covered, per 100",
                axis=CAUGHT_AXIS,
                scale=alt.Scale(domain=[0, 100]),
            ),
            tooltip=[
                alt.Tooltip("share:Q", title="share checked", format=".0%"),
                alt.Tooltip("checks_per_week:Q", title="checks a week", format=".1f"),
                alt.Tooltip("caught_per_100_comebacks:Q", title="comebacks covered, per 100", format=".0f"),
                alt.Tooltip("minutes_saved:Q", title="minutes saved a year", format=",.0f"),
            ],
        )
    )
    examples = second_checks.gather_every(max(1, second_checks.height // 4))
    complete = examples.select("share", "caught_per_100_comebacks").drop_nulls()
    words = "; ".join(f"{share:.0%} checked cover {caught:.0f}" for share, caught in complete.iter_rows())
    return layer_charts(
        *_random_check_layers(second_checks), line, *_slider_layers(second_checks, per_week)
    ).properties(description=f"Comebacks covered, per 100, by share of bleeds checked: {words}")


def _random_check_layers(second_checks: pl.DataFrame) -> list[Any]:
    """What as many bleeds picked at random would cover: their share of what checking the most bleeds covers."""
    most = second_checks.select("share", caught="caught_per_100_comebacks").drop_nulls().tail(1)
    rows = pl.concat([pl.DataFrame({"share": [0.0], "caught": [0.0]}), most])
    base = alt.Chart(rows).encode(
        x=alt.X("share:Q", title="share checked", axis=SHARE_AXIS),
        y=alt.Y("caught:Q", title="by checking at random", axis=CAUGHT_AXIS),
    )
    label = alt.Chart(rows.with_columns(pl.all() / 2, label=pl.lit("picked at random")).tail(1))
    name = label.mark_text(align="left", baseline="top", dx=6, color=CHANCE, aria=False)
    return [
        base.mark_line(color=CHANCE, strokeDash=DASHED, aria=False),
        name.encode(x=base.encoding.x, y=base.encoding.y, text=alt.Text("label:N", title="dashed line")),
    ]


def _slider_layers(second_checks: pl.DataFrame, per_week: float | None) -> list[Any]:
    """The number of checks that the slider is set to, on the curve and in words; between two rows, read off a straight line."""
    names = ("share", "caught_per_100_comebacks", "minutes_saved")
    rows = second_checks.select("checks_per_week", *names).drop_nulls().sort("checks_per_week")
    if rows.is_empty():
        return []
    numbers = rows.get_column("checks_per_week")
    fewest, most = math.ceil(numbers[0]), math.ceil(numbers[-1])
    best = rows.sort("minutes_saved", descending=True).item(0, "checks_per_week")
    start = min(max(round(best if per_week is None else per_week), fewest), most)
    slider = alt.binding_range(min=fewest, max=most, step=1, name="Checks a week ")
    checks = alt.param(name="checks", value=start, bind=slider)
    following = [pl.col(name).shift(-1).alias(f"next_{name}") for name in rows.columns]
    between = "(isValid(datum.next_checks_per_week) ? (checks - datum.checks_per_week) / (datum.next_checks_per_week - datum.checks_per_week) : 0)"
    chosen = (
        alt.Chart(rows.with_columns(following))
        .transform_filter("datum.checks_per_week <= checks && (!isValid(datum.next_checks_per_week) || checks < datum.next_checks_per_week)")
        .transform_calculate(**{f"at_{name}": f"datum.{name} + {between} * ((isValid(datum.next_{name}) ? datum.next_{name} : datum.{name}) - datum.{name})" for name in names})
        .transform_calculate(
            number="checks + (checks == 1 ? ' check' : ' checks') + ' a week (' + format(datum.at_share, '.0%') + ')'",
            covers="format(datum.at_caught_per_100_comebacks, '.0f') + ' of 100 comebacks covered'",
            hours="round(abs(datum.at_minutes_saved) / 60)",
        )
        .transform_calculate(
            saves="datum.hours == 0 ? 'about break even' : format(datum.hours, ',') + (datum.hours == 1 ? ' hour' : ' hours') + ' a year ' + (datum.at_minutes_saved < 0 ? 'lost' : 'saved')"
        )
    )  # fmt: skip
    dot = chosen.mark_point(filled=True, size=140, color=HIGH, opacity=1).encode(
        x=alt.X("at_share:Q", title="share checked", axis=SHARE_AXIS),
        y=alt.Y("at_caught_per_100_comebacks:Q", title="comebacks covered, per 100", axis=CAUGHT_AXIS),
    )
    words = [
        chosen.mark_text(aria=False, align="right", fontWeight="bold", dx=-6).encode(
            x=x_at(CURVE_WIDTH), y=y_at(y), text=alt.Text(f"{name}:N", title="these checks")
        )
        for name, y in (("number", 186), ("covers", 204), ("saves", 222))
    ]
    return [dot.add_params(checks), *words]


@with_built_in_look
def baseline_comparison(figures: Source) -> alt.LayerChart | alt.FacetChart:
    """AUC of the model with its 95% interval, above the simple rules it must beat.

    Parameters
    ----------
    figures
        `schemas.outputs.ModelQuality`; or columns rule (in words), value, lo, hi (empty for the rules), in the order
        drawn, the model first.
    """
    table = table_from_source(figures, "model")
    figures = auc_rows(table) if "metric" in table.columns else table
    limits = pl.format("{} to {}", pl.col("lo").round(3), pl.col("hi").round(3)).fill_null("not computed")
    base = alt.Chart(
        figures.with_columns(interval=limits), width=NARROW, height=ROW_PX * max(figures.height, 1)
    ).encode(y=alt.Y("rule:N", title="model or rule", sort=None, axis=UNTITLED))
    interval = interval_rule(base.transform_filter("datum.lo != null"), "lo", "hi", AUC_AXIS)
    dots = base.mark_point(size=80, opacity=1, strokeWidth=2).encode(
        x=alt.X("value:Q", title="AUC", axis=AUC_AXIS, scale=alt.Scale(zero=False)),
        color=conditional(alt.ColorValue, "datum.lo != null", LOW, CHANCE),
        tooltip=[
            alt.Tooltip("rule:N", title="model or rule"),
            alt.Tooltip("value:Q", title="AUC", format=".3f"),
            alt.Tooltip("interval:N", title="95% interval"),
        ],
    )
    words = "; ".join(f"{rule} {value:.2f}" for rule, value in figures.select("rule", "value").iter_rows())
    return layer_charts(vertical_line(0.5, AUC_AXIS, DASHED), interval, dots).properties(
        description=f"AUC of the model and of simple rules: {words}"
    )


@with_built_in_look
def reliability_curve(deciles: Source) -> alt.LayerChart | alt.FacetChart:
    """Observed share that came back in each decile of predicted risk, with its 95% interval, against the predicted risk.

    Parameters
    ----------
    deciles
        `schemas.outputs.ModelQuality`; or columns predicted, observed, lo, hi: fractions, one row per decile.
    """
    table = table_from_source(deciles, "model")
    deciles = decile_rows(table) if "metric" in table.columns else table
    most = max([*deciles.get_column("predicted").drop_nulls(), *deciles.get_column("hi").drop_nulls()], default=1.0)
    predicted = alt.X("predicted:Q", title="predicted risk", axis={**PERCENT, "title": "predicted risk"})
    axis = {**PERCENT, "title": "came back"}
    base = alt.Chart(deciles, width=NARROW - 80, height=230)
    observed = alt.Y("observed:Q", title="came back", axis=axis)
    perfect = alt.Chart(pl.DataFrame({"predicted": [0.0, most], "observed": [0.0, most]})).mark_line(
        color=CHANCE, strokeDash=DASHED, aria=False
    )
    bars = base.mark_rule(strokeWidth=2, color=CHANCE, aria=False).encode(
        x=predicted, y=alt.Y("lo:Q", title="from", axis=axis), y2=alt.Y2("hi:Q", title="to")
    )
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x=predicted,
        y=observed,
        tooltip=[
            alt.Tooltip("predicted:Q", title="predicted risk", format=".1%"),
            alt.Tooltip("observed:Q", title="came back", format=".1%"),
            alt.Tooltip("lo:Q", title="from", format=".1%"),
            alt.Tooltip("hi:Q", title="to", format=".1%"),
        ],
    )
    complete = deciles.select("predicted", "observed").drop_nulls()
    words = "; ".join(f"predicted {x:.0%}, came back {y:.0%}" for x, y in complete.iter_rows())
    return layer_charts(perfect.encode(x=predicted, y=observed), bars, dots).properties(
        description=f"Observed rate by decile of predicted risk: {words}"
    )


@with_built_in_look
def calibration_over_time(quarters: Source) -> alt.LayerChart | alt.FacetChart:
    """Observed / predicted comebacks, quarter by quarter, with 95% intervals; 1 is as predicted.

    Parameters
    ----------
    quarters
        `schemas.outputs.ModelQuality`; or columns quarter, value, lo, hi.
    """
    table = table_from_source(quarters, "model")
    quarters = quarter_rows(table) if "metric" in table.columns else table
    labels = {"title": None, "labelAngle": -60, "labelOverlap": False if quarters.height <= MAX_LABELS else "greedy"}
    quarter = alt.X("quarter:O", title="quarter", axis=labels)
    base = alt.Chart(quarters, width=NARROW, height=200).encode(x=quarter)
    one = (
        alt.Chart(pl.DataFrame({"y": [1.0]}))
        .mark_rule(color=CHANCE, strokeDash=DASHED, aria=False)
        .encode(y=alt.Y("y:Q", title="as predicted", axis=RATIO_AXIS))
    )
    highest = float(quarters.select(pl.max_horizontal(pl.col("hi").max(), pl.lit(1.5))).item())
    top = min(highest, MAX_RATIO)
    scale = alt.Scale(domain=[0, top], nice=highest <= MAX_RATIO)
    bars = base.mark_rule(strokeWidth=2, color=CHANCE, clip=True, aria=False).encode(
        y=alt.Y("lo:Q", title="from", axis=RATIO_AXIS, scale=scale), y2=alt.Y2("hi:Q", title="to")
    )
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1, clip=True).encode(
        y=alt.Y("value:Q", title="observed / predicted", axis=RATIO_AXIS),
        tooltip=[
            alt.Tooltip("quarter:O", title="quarter"),
            alt.Tooltip("value:Q", title="observed / predicted", format=".2f"),
            alt.Tooltip("lo:Q", title="from", format=".2f"),
            alt.Tooltip("hi:Q", title="to", format=".2f"),
        ],
    )
    beyond = base.transform_filter(alt.datum.hi > MAX_RATIO).mark_point(
        shape="triangle-up", filled=True, size=60, color=CHANCE, opacity=1
    )
    upper = alt.Tooltip("hi:Q", title="upper limit", format=".0f")
    arrows = beyond.encode(y=alt.YDatum(top, title="edge of the chart", axis=RATIO_AXIS), tooltip=[upper])
    words = "; ".join(f"{q} {v:.2f}" for q, v in quarters.select("quarter", "value").drop_nulls().iter_rows())
    layers = [one, bars, dots, arrows] if highest > MAX_RATIO else [one, bars, dots]
    return layer_charts(*layers).properties(description=f"Observed / predicted comebacks by quarter: {words}")


def _require_few_rows(risks: pl.DataFrame) -> pl.DataFrame:
    """The rows, if a list has room for them."""
    if risks.height > MAX_BLEEDS:
        raise UserError(
            "worklist_dots",
            f"{risks.height:,} bleeds are more than one list shows",
            f"at most {MAX_BLEEDS}",
            'give the report, or filter it: report.risk.filter("on_worklist")',
        )
    return risks


@with_built_in_look
def predictions_by_tenth(predictions: Source) -> alt.LayerChart | alt.FacetChart:
    """Share of bleeds that came back after an earlier audit, by decile of predicted risk: predicted (tick) and observed.

    Parameters
    ----------
    predictions
        The report, or the rows of the tenths (deciles) in `schemas.outputs.Predictions`.
    """
    tenths = table_from_source(predictions, "predictions").filter(pl.col("group").str.starts_with("tenth "))
    rows = tenths.select(
        "bleeds", "observed", "expected",
        tenth=pl.col("group").str.strip_prefix("tenth ").cast(pl.Int64),
        share=pl.col("observed") / pl.col("bleeds"),
        predicted=pl.col("expected") / pl.col("bleeds"),
        lo=pl.col("ratio_lo") * pl.col("expected") / pl.col("bleeds"),
        hi=(pl.col("ratio_hi") * pl.col("expected") / pl.col("bleeds")).clip(upper_bound=1),
    ).sort("tenth")  # fmt: skip
    axis = {**PERCENT, "title": ["came back since the last audit (●, 95% interval)", "and predicted (tick)"]}
    base = alt.Chart(rows, width=WIDTH, height=ROW_PX * max(rows.height, 1)).encode(
        y=alt.Y("tenth:O", title="decile of risk (10 = highest)")
    )
    tooltip = [
        alt.Tooltip("bleeds:Q", title="bleeds"),
        alt.Tooltip("expected:Q", title="predicted", format=".2f"),
        alt.Tooltip("observed:Q", title="came back"),
    ]
    dots = base.mark_point(filled=True, size=70, opacity=1, color=HIGH).encode(
        x=alt.X("share:Q", axis=axis), tooltip=tooltip
    )
    ticks = base.mark_tick(thickness=3, size=ROW_PX * 0.7, color=LOW).encode(x=alt.X("predicted:Q", axis=axis))
    words = "; ".join(
        f"group {t}: predicted {e:.1f}, came back {o}"
        for t, e, o in rows.select("tenth", "expected", "observed").iter_rows()
    )
    return layer_charts(interval_rule(base, "lo", "hi", axis), ticks, dots).properties(
        description=f"Predicted and observed comebacks since the last audit: {words}"
    )
