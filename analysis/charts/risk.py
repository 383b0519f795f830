"""Risks of bleeds with their intervals, what second checks meet, and the model's figures beside simple rules."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.theme import CHANCE, HIGH, LOW, PERCENT, PLAIN, ROW_PX, WIDTH


def worklist_dots(chosen: pl.DataFrame, overall: float | None) -> alt.LayerChart | alt.FacetChart:
    """One row a bleed, highest risk first: its risk with the 95% interval, the rate of all bleeds as a line.

    Parameters
    ----------
    chosen
        `schemas.outputs.Risk` beside bike_id and brake, in the order of the list.
    overall
        Rate of all bleeds, fraction; no line without one.
    """
    shown = chosen.select(
        "session_id", "bike_id", "brake", "risk", "risk_lo", "risk_hi", "reason_1",
        label=pl.format("{} {}", "session_id", "brake"),
    )  # fmt: skip
    base = alt.Chart(shown, width=WIDTH, height=ROW_PX * max(shown.height, 1)).encode(
        y=alt.Y("label:N", sort=None, title=None)
    )
    axis = alt.X("risk_lo:Q", axis=PERCENT, title="risk of coming back within the window")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2="risk_hi:Q")
    dots = base.mark_point(filled=True, size=80, opacity=1, color=HIGH, shape="triangle-up").encode(
        x="risk:Q",
        tooltip=[
            alt.Tooltip("session_id:N", title="bleed"),
            alt.Tooltip("bike_id:N", title="bike"),
            alt.Tooltip("risk:Q", format=".1%", title="risk"),
            alt.Tooltip("reason_1:N", title="because"),
        ],
    )
    line = (
        []
        if overall is None
        else [alt.Chart(pl.DataFrame({"x": [overall]})).mark_rule(color=CHANCE, strokeDash=[4, 3]).encode(x="x:Q")]
    )
    words = "; ".join(f"{i} {r:.0%}" for i, r in shown.select("session_id", "risk").head(12).iter_rows())
    return alt.layer(*line, bars, dots).properties(description=f"Risk of the bleeds to check a second time: {words}")


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
        y=alt.Y("caught_per_100_comebacks:Q", title="comebacks caught of 100", scale=alt.Scale(domain=[0, 100])),
        tooltip=[
            alt.Tooltip("share:Q", format=".0%", title="share checked"),
            alt.Tooltip("checks_per_week:Q", format=".1f", title="checks a week"),
            alt.Tooltip("caught_per_100_comebacks:Q", format=".0f", title="caught of 100"),
            alt.Tooltip("minutes_saved:Q", format=".0f", title="minutes saved a year"),
        ],
    )
    chance = pl.DataFrame({"share": [0.0, 1.0], "caught": [0.0, 100.0]})
    diagonal = alt.Chart(chance).mark_line(color=CHANCE, strokeDash=[4, 3]).encode(x="share:Q", y="caught:Q")
    some = second_checks.sort("share").gather_every(max(1, second_checks.height // 4))
    words = "; ".join(
        f"{s:.0%} checked catch {c:.0f}"
        for s, c in some.select("share", "caught_per_100_comebacks").drop_nulls().iter_rows()
    )
    return (diagonal + line).properties(description=f"Comebacks caught of 100 by share of bleeds checked: {words}")


def metric_dots(figures: pl.DataFrame) -> alt.VConcatChart:
    """Each figure of the model with its interval, the simple rule's as a tick; each on its own scale.

    Parameters
    ----------
    figures
        `schemas.outputs.ModelQuality` with values and baselines.
    """
    rows = []
    for row in figures.head(6).iter_rows(named=True):
        one = pl.DataFrame([row], schema=figures.schema)
        base = alt.Chart(one, width=WIDTH // 2, height=ROW_PX)
        axis = alt.X("value:Q", title=None, scale=alt.Scale(zero=False))
        bar = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=alt.X("lo:Q", title=None), x2="hi:Q")
        dot = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
            x=axis,
            tooltip=[
                alt.Tooltip("value:Q", format=".3f", title="model"),
                alt.Tooltip("baseline:Q", format=".3f", title="simple rule"),
            ],
        )
        tick = base.mark_tick(color=HIGH, thickness=2, size=14).encode(x="baseline:Q")
        title = alt.TitleParams(
            f"{row['metric']} (tick: {row['against'] or 'simple rule'})".replace("_", " "), fontSize=12
        )
        rows.append(alt.layer(bar, dot, tick).properties(title=title))
    words = "; ".join(
        f"{m.replace('_', ' ')} {v:.3f} against {b:.3f}"
        for m, v, b in figures.select("metric", "value", "baseline").head(6).iter_rows()
    )
    return alt.vconcat(*rows, spacing=8).properties(
        description=f"Figures of the risk model beside a simple rule: {words}"
    )
