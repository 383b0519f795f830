"""Steps of the standard: what each costs when missed, how often it is missed, where its tolerance lies."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.charts.choice import choice, chosen_name
from analysis.charts.layers import either, layered
from analysis.charts.room import most_telling_people
from analysis.charts.theme import (
    BESIDE,
    CHANCE,
    HIGH,
    LOW,
    PERCENT,
    PLAIN,
    ROW_PX,
    SUSPECT,
    VERDICT_COLOURS,
    VERDICT_MARKS,
    VERDICT_WORDS,
    WIDTH,
    folded,
    rows_px,
)

SPARED = ["comebacks prevented per 100 bleeds", "(tick: unadjusted difference)"]
MORE, FEWER, ALIKE = "misses more than peers", "misses fewer than peers", "no clear difference"
PEER_COLOURS = alt.Scale(domain=[MORE, FEWER, ALIKE], range=[HIGH, LOW, PLAIN])
PEER_MARKS = alt.Scale(domain=[MORE, FEWER, ALIKE], range=["triangle-up", "triangle-down", "circle"])


def step_bars(steps: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks per 100 bleeds that each step would spare, with 95% intervals, costliest first; the raw difference, which
    blames steps for the work they are skipped in, as a small tick beside.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    shown = _spared(steps)
    return _bars(shown).properties(description=_step_words(shown))


def against_peers() -> pl.Expr:
    """How a technician's misses of a step compare with peers, in words."""
    more = pl.when(pl.col("clear") & (pl.col("excess") > 0)).then(pl.lit(MORE))
    return more.when(pl.col("clear") & (pl.col("excess") < 0)).then(pl.lit(FEWER)).otherwise(pl.lit(ALIKE))


def step_board(steps: pl.DataFrame, technique: pl.DataFrame) -> alt.HConcatChart:
    """`step_bars` with the technicians beside it, by name: how far each misses the chosen step beyond peers.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    technique
        `schemas.outputs.Technique` with a column `title`, the step in words.
    """
    shown = _spared(steps)
    titles = shown.sort("rank").get_column("title").to_list()
    chosen = choice("title", titles, None, "step")
    known = technique.filter(pl.col("excess").is_not_null(), pl.col("title").is_in(titles))
    people = most_telling_people(known).select(
        "technician", "title", "recorded", "missed", "excess", "lo", "hi",
        told=against_peers(),
    )  # fmt: skip
    data = alt.Chart(people, width=BESIDE, height=ROW_PX * max(people.get_column("technician").n_unique(), 1))
    base = data.transform_filter(chosen).encode(y=alt.Y("technician:N", title=None))
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    axis = alt.X("lo:Q", axis=PERCENT, title="missed more than peers (percentage points)")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2=alt.X2("hi:Q"))
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("excess:Q"),
        color=alt.Color("told:N", scale=PEER_COLOURS, legend=None),
        shape=alt.Shape("told:N", scale=PEER_MARKS, legend=None),
        tooltip=[
            alt.Tooltip("technician:N", title="technician"), alt.Tooltip("told:N", title="against peers"),
            alt.Tooltip("missed:Q", title="missed"), alt.Tooltip("recorded:Q", title="recorded"),
        ],
    )  # fmt: skip
    right = layered(zero, bars, dots, chosen_name(chosen, data, "title"))
    told = f"{_step_words(shown)}. On the right, for the step you choose: how much more than peers each technician misses it"
    return (
        alt.hconcat(_bars(shown, chosen), right, spacing=24)
        .resolve_scale(color="independent", shape="independent")
        .properties(description=told)
    )


def _spared(steps: pl.DataFrame) -> pl.DataFrame:
    shown = steps.filter(pl.col("preventable_per_100").is_not_null()).select(
        "title", "preventable_per_100", "lo", "hi", "missed", "recorded", "verdict", "rank", "naive_difference"
    )
    folds = pl.col("title").map_elements(folded, return_dtype=pl.String)
    return shown.with_columns(told=pl.col("verdict").replace_strict(VERDICT_WORDS), label=folds)


def _bars(shown: pl.DataFrame, chosen: alt.Parameter | None = None) -> alt.LayerChart | alt.FacetChart:
    base = alt.Chart(shown, width=WIDTH, height=rows_px(shown.get_column("label").to_list())).encode(
        y=alt.Y("label:N", sort=alt.EncodingSortField("rank"), title=None)
    )
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    wide = alt.StrokeWidthValue(2) if chosen is None else either(alt.StrokeWidthValue, chosen, 5, 2)
    bars = base.mark_rule(color=CHANCE).encode(x=alt.X("lo:Q", title=SPARED), x2=alt.X2("hi:Q"), strokeWidth=wide)
    raw = base.mark_tick(color=CHANCE, thickness=2, size=10).encode(x=alt.X("naive_difference:Q"))
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("preventable_per_100:Q"),
        color=alt.Color("told:N", scale=VERDICT_COLOURS),
        shape=alt.Shape("told:N", scale=VERDICT_MARKS),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("preventable_per_100:Q", title="prevented per 100", format=".2f"),
            alt.Tooltip("lo:Q", title="from", format=".2f"),
            alt.Tooltip("hi:Q", title="to", format=".2f"),
            alt.Tooltip("naive_difference:Q", title="unadjusted difference per 100", format=".2f"),
            alt.Tooltip("missed:Q", title="missed"),
            alt.Tooltip("recorded:Q", title="recorded"),
        ],
    )
    return layered(zero, bars, raw, dots if chosen is None else dots.add_params(chosen))


def _step_words(shown: pl.DataFrame) -> str:
    costly = shown.sort("rank").head(8).iter_rows(named=True)
    words = "; ".join(f"{row['title']} {row['preventable_per_100']:.2f}, {row['told']}" for row in costly)
    return f"Comebacks prevented per 100 bleeds by step: {words}"


def missed_bars(steps: pl.DataFrame) -> alt.Chart:
    """How often each step was missed, of the bleeds where it was recorded.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    folds = pl.col("title").map_elements(folded, return_dtype=pl.String)
    shown = steps.filter(pl.col("share_missed").is_not_null()).select(
        "title", "share_missed", "missed", "recorded", label=folds
    )
    chart = alt.Chart(shown, width=WIDTH, height=rows_px(shown.get_column("label").to_list())).mark_bar(
        color=PLAIN, height=9
    )
    words = "; ".join(f"{t} {s:.0%}" for t, s in shown.select("title", "share_missed").head(20).iter_rows())
    return chart.encode(
        y=alt.Y("label:N", sort="-x", title=None),
        x=alt.X("share_missed:Q", axis=PERCENT, title="share missed, where recorded"),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("missed:Q", title="missed"),
            alt.Tooltip("recorded:Q", title="recorded"),
        ],
    ).properties(description=f"Share missed by step: {words}")


def what_if_bars(scenarios: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks per 100 bleeds that each scenario would spare, with 95% intervals, in the order given.

    Parameters
    ----------
    scenarios
        `schemas.outputs.WhatIf`.
    """
    folds = pl.col("scenario").map_elements(folded, return_dtype=pl.String)
    shown = scenarios.select("scenario", "preventable_per_100", "lo", "hi", "comebacks_per_year", label=folds).head(12)
    base = alt.Chart(shown, width=WIDTH, height=rows_px(shown.get_column("label").to_list())).encode(
        y=alt.Y("label:N", sort=None, title=None)
    )
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=alt.X("lo:Q", title=SPARED[0]), x2=alt.X2("hi:Q"))
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x=alt.X("preventable_per_100:Q"),
        tooltip=[
            alt.Tooltip("scenario:N", title="what if"),
            alt.Tooltip("comebacks_per_year:Q", title="comebacks prevented a year", format=".1f"),
        ],
    )
    words = "; ".join(f"{s} {p:.2f}" for s, p in shown.select("scenario", "preventable_per_100").iter_rows())
    return layered(zero, bars, dots).properties(description=f"Comebacks prevented per 100 bleeds: {words}")


def tolerance_curve(tolerance: pl.DataFrame, field_word: str) -> alt.LayerChart | alt.FacetChart:
    """The adjusted risk along one reading with its 95% band, the standard's limits marked, bleeds told on hovering.

    Parameters
    ----------
    tolerance
        `schemas.outputs.Tolerance` of one step.
    field_word
        The reading in the trade's words, with its unit.
    """
    base = alt.Chart(tolerance, width=290, height=170).encode(
        x=alt.X("reading:Q", title=field_word, scale=alt.Scale(zero=False, nice=False), axis=_ticks(tolerance))
    )
    band = base.mark_area(opacity=0.3, color=CHANCE).encode(
        y=alt.Y("lo:Q", axis=PERCENT, title="came back"), y2=alt.Y2("hi:Q")
    )
    line = base.mark_line(color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN)).encode(
        y=alt.Y("risk:Q"),
        tooltip=[
            alt.Tooltip("reading:Q", title=field_word),
            alt.Tooltip("risk:Q", format=".1%", title="came back"),
            alt.Tooltip("bleeds:Q", title="bleeds near it"),
        ],
    )
    limits = [
        alt.Chart(tolerance.filter(pl.col(name).is_not_null()).head(1))
        .mark_rule(color=SUSPECT, strokeDash=[4, 3])
        .encode(x=alt.X(f"{name}:Q"))
        for name in ("tolerance_lo", "tolerance_hi")
        if tolerance.get_column(name).count()
    ]
    return layered(band, line, *limits).properties(
        description=f"Comeback risk by {field_word}, from {min(tolerance['reading'])} to {max(tolerance['reading'])}"
    )


def _ticks(tolerance: pl.DataFrame) -> dict[str, Any]:
    """A reading that is counted has no halves."""
    whole = tolerance.select((pl.col("reading") == pl.col("reading").round()).all()).item()
    span = tolerance.select(pl.col("reading").max() - pl.col("reading").min()).item() or 1
    return {"tickCount": min(int(span), 6), "format": "d"} if whole else {"tickCount": 6}
