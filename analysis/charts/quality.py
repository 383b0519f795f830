"""What is recorded, and what checking a share of the bleeds a second time would catch."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.theme import CHANCE, LOW, PERCENT, PLAIN, WIDTH


def recorded_board(recorded: pl.DataFrame) -> alt.Chart:
    """Share recorded of each field by technician: the fuller the circle, the fuller the log.

    Parameters
    ----------
    recorded
        Columns field (in words), technician, share (fraction), bleeds.
    """
    least = recorded.sort("share").head(5)
    words = "; ".join(f"{f} of {t} {s:.0%}" for f, t, s in least.select("field", "technician", "share").iter_rows())
    return (
        alt.Chart(recorded)
        .mark_circle(color=PLAIN, opacity=0.9)
        .encode(
            x=alt.X("technician:N", title=None, axis=alt.Axis(labelAngle=-60, orient="top")),
            y=alt.Y("field:N", title=None, sort=None),
            size=alt.Size("share:Q", scale=alt.Scale(domain=[0, 1], range=[0, 200]), legend=alt.Legend(format=".0%")),
            tooltip=["technician:N", "field:N", alt.Tooltip("share:Q", format=".0%", title="recorded"), "bleeds:Q"],
        )
        .properties(
            width=alt.Step(24),
            height=alt.Step(18),
            description=f"Share of bleeds with each field recorded; least: {words}",
        )
    )


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
