"""Risks of bleeds with their intervals, what second checks meet, and the model's figures beside simple rules."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.layering import conditional, layer_charts
from analysis.charts.theme import CHANCE, HIGH, LOW, NARROW, PERCENT, PLAIN, ROW_PX, WIDTH

MAX_LABELS = 24
MAX_DRIFT = 8.0
"""A limit above this is drawn as an arrow at the edge: nobody would read how far above."""


def worklist_dots(selection: pl.DataFrame, overall: float | None) -> alt.LayerChart | alt.FacetChart:
    """One row a bleed, highest risk first: its risk with the 95% interval, the rate of all bleeds as a line.

    Parameters
    ----------
    selection
        `schemas.outputs.Risk` beside bike_id and brake, in the order of the list.
    overall
        Rate of all bleeds, fraction; no line without one.
    """
    rows = selection.select(
        "session_id", "bike_id", "brake", "risk", "risk_lo", "risk_hi", "reason_1",
        label=pl.format("{} {}", "session_id", "brake"),
    )  # fmt: skip
    base = alt.Chart(rows, width=WIDTH, height=ROW_PX * max(rows.height, 1)).encode(
        y=alt.Y("label:N", sort=None, title=None)
    )
    axis = alt.X("risk_lo:Q", axis=PERCENT, title="risk of a comeback within the window")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2=alt.X2("risk_hi:Q"))
    dots = base.mark_point(filled=True, size=80, opacity=1, color=HIGH, shape="triangle-up").encode(
        x=alt.X("risk:Q"),
        tooltip=[
            alt.Tooltip("session_id:N", title="job"),
            alt.Tooltip("bike_id:N", title="bike"),
            alt.Tooltip("risk:Q", format=".1%", title="risk"),
            alt.Tooltip("reason_1:N", title="main reason"),
        ],
    )
    line = (
        []
        if overall is None
        else [
            alt.Chart(pl.DataFrame({"x": [overall]})).mark_rule(color=CHANCE, strokeDash=[4, 3]).encode(x=alt.X("x:Q"))
        ]
    )
    words = "; ".join(f"{i} {r:.0%}" for i, r in rows.select("session_id", "risk").head(12).iter_rows())
    return layer_charts(*line, bars, dots).properties(description=f"Risk of the bleeds to check a second time: {words}")


def second_check_curve(second_checks: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks caught, per 100, by the share of bleeds checked a second time; the diagonal is checking at random.

    Parameters
    ----------
    second_checks
        `schemas.outputs.SecondChecks`.
    """
    base = alt.Chart(second_checks, width=WIDTH // 2 + 60, height=240)
    line = base.mark_line(color=LOW, point=True).encode(
        x=alt.X("share:Q", axis=PERCENT, title="share of bleeds checked a second time"),
        y=alt.Y("caught_per_100_comebacks:Q", title="comebacks covered, of 100", scale=alt.Scale(domain=[0, 100])),
        tooltip=[
            alt.Tooltip("share:Q", format=".0%", title="share checked"),
            alt.Tooltip("checks_per_week:Q", format=".1f", title="checks a week"),
            alt.Tooltip("caught_per_100_comebacks:Q", format=".0f", title="covered, of 100"),
            alt.Tooltip("minutes_saved:Q", format=".0f", title="minutes saved a year"),
        ],
    )
    chance = pl.DataFrame({"share": [0.0, 1.0], "caught": [0.0, 100.0]})
    diagonal = (
        alt.Chart(chance).mark_line(color=CHANCE, strokeDash=[4, 3]).encode(x=alt.X("share:Q"), y=alt.Y("caught:Q"))
    )
    some = second_checks.sort("share").gather_every(max(1, second_checks.height // 4))
    words = "; ".join(
        f"{s:.0%} checked cover {c:.0f}"
        for s, c in some.select("share", "caught_per_100_comebacks").drop_nulls().iter_rows()
    )
    return layer_charts(diagonal, line).properties(
        description=f"Comebacks covered, of 100, by share of bleeds checked: {words}"
    )


def baseline_comparison(figures: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """How well the risks put bleeds in order, with the 95% interval, above the simple rules they must beat.

    Parameters
    ----------
    figures
        Columns rule (in words), value, lo, hi (empty for the rules), in the order shown; the model first.
    """
    base = alt.Chart(figures, width=NARROW, height=ROW_PX * max(figures.height, 1)).encode(
        y=alt.Y("rule:N", sort=None, title=None)
    )
    axis = alt.X(
        "value:Q",
        scale=alt.Scale(zero=False),
        axis={"format": ".2f", "tickCount": 6},
        title="AUC (dashed: a coin toss)",
    )
    chance = alt.Chart(pl.DataFrame({"x": [0.5]})).mark_rule(color=CHANCE, strokeDash=[4, 3]).encode(x=alt.X("x:Q"))
    bars = (
        base.transform_filter("datum.lo != null")
        .mark_rule(strokeWidth=2, color=CHANCE)
        .encode(x=alt.X("lo:Q"), x2=alt.X2("hi:Q"))
    )
    dots = base.mark_point(size=80, opacity=1, strokeWidth=2).encode(
        x=axis,
        color=conditional(alt.ColorValue, "datum.lo != null", LOW, CHANCE),
        tooltip=[alt.Tooltip("rule:N", title="model or rule"), alt.Tooltip("value:Q", format=".3f", title="AUC")],
    )
    words = "; ".join(f"{r} {v:.2f}" for r, v in figures.select("rule", "value").iter_rows())
    return layer_charts(chance, bars, dots).properties(description=f"AUC of the model and of simple rules: {words}")


def reliability_curve(deciles: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Share come back in each tenth of the risks with its 95% interval, by the risk told there; on the line told = seen.

    Parameters
    ----------
    deciles
        Columns told, seen, lo, hi: fractions, one row a tenth.
    """
    most = max([*deciles.get_column("predicted").drop_nulls(), *deciles.get_column("hi").drop_nulls()], default=1.0)
    base = alt.Chart(deciles, width=NARROW - 80, height=230)
    line = alt.Chart(pl.DataFrame({"predicted": [0.0, most], "observed": [0.0, most]})).mark_line(
        color=CHANCE, strokeDash=[4, 3]
    )
    x_axis = alt.X("predicted:Q", axis=PERCENT, title="predicted risk")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(
        x=x_axis, y=alt.Y("lo:Q", axis=PERCENT, title="came back"), y2=alt.Y2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x=x_axis,
        y=alt.Y("observed:Q"),
        tooltip=[
            alt.Tooltip("predicted:Q", format=".1%", title="predicted risk"),
            alt.Tooltip("observed:Q", format=".1%", title="came back"),
        ],
    )
    words = "; ".join(
        f"predicted {x:.0%}, came back {y:.0%}"
        for x, y in deciles.select("predicted", "observed").drop_nulls().iter_rows()
    )
    return layer_charts(line.encode(x=alt.X("predicted:Q"), y=alt.Y("observed:Q")), bars, dots).properties(
        description=f"Observed rate by decile of predicted risk: {words}"
    )


def calibration_over_time(quarters: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks over risks told, quarter by quarter, with 95% intervals; 1 is as told.

    Parameters
    ----------
    quarters
        Columns quarter, value, lo, hi.
    """
    every = {"labelAngle": -60, "labelOverlap": False if quarters.height <= MAX_LABELS else "greedy"}
    base = alt.Chart(quarters, width=NARROW, height=200).encode(x=alt.X("quarter:O", title=None, axis=every))
    one = alt.Chart(pl.DataFrame({"y": [1.0]})).mark_rule(color=CHANCE, strokeDash=[4, 3]).encode(y=alt.Y("y:Q"))
    highest = float(quarters.select(pl.max_horizontal(pl.col("hi").max(), pl.lit(1.5))).item())
    top = min(highest, MAX_DRIFT)
    scale = alt.Scale(domain=[0, top], nice=highest <= MAX_DRIFT)
    bars = base.mark_rule(strokeWidth=2, color=CHANCE, clip=True).encode(
        y=alt.Y("lo:Q", title="observed / predicted", scale=scale), y2=alt.Y2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1, clip=True).encode(
        y=alt.Y("value:Q"),
        tooltip=[
            alt.Tooltip("quarter:O", title="quarter"),
            alt.Tooltip("value:Q", format=".2f", title="observed / predicted"),
            alt.Tooltip("lo:Q", format=".2f", title="from"),
            alt.Tooltip("hi:Q", format=".2f", title="to"),
        ],
    )
    beyond = base.transform_filter(alt.datum.hi > MAX_DRIFT).mark_point(
        shape="triangle-up", filled=True, size=60, color=CHANCE, opacity=1
    )
    arrows = beyond.encode(y=alt.YDatum(top), tooltip=[alt.Tooltip("hi:Q", format=".0f", title="upper limit")])
    words = "; ".join(f"{q} {v:.2f}" for q, v in quarters.select("quarter", "value").drop_nulls().iter_rows())
    layers = [one, bars, dots, arrows] if highest > MAX_DRIFT else [one, bars, dots]
    return layer_charts(*layers).properties(description=f"Observed / predicted comebacks by quarter: {words}")
