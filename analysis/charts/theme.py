"""One look for every chart, and what charts share: axes without titles, intervals, reference lines, selections."""

from __future__ import annotations

import textwrap
from functools import cache
from typing import Any

import altair as alt
import polars as pl

from analysis.drawing import FONT

THEME = "rebleed"
HIGH, SUSPECT, LOW, PLAIN, CHANCE = "#c8522a", "#a87b10", "#1d87a3", "#7a78a8", "#8b867c"
"""Rust for clearly more, ochre for suspected, teal for clearly fewer, slate for neutral marks, grey for chance."""
COLOURS = (HIGH, SUSPECT, LOW, PLAIN, CHANCE)
LIGHT_PAPER, DARK_PAPER = "#fbfaf7", "#1d1c1a"
SIGNAL_LABELS = {
    "high": "clearly more",
    "low": "clearly fewer",
    "none": "no clear difference",
    "too_few": "too few to say",
    "in_question": "returns possibly incomplete",
}
VERDICT_LABELS = {
    "costs_comebacks": "leads to comebacks",
    "goes_with_comebacks": "goes with comebacks",
    "suspected": "suspected",
    "no_sign": "no clear cost",
    "too_few": "too few to say",
}
SIGNAL_COLOURS = alt.Scale(domain=list(SIGNAL_LABELS.values()), range=[HIGH, LOW, PLAIN, CHANCE, CHANCE])
SIGNAL_MARKS = alt.Scale(
    domain=list(SIGNAL_LABELS.values()), range=["triangle-up", "triangle-down", "circle", "cross", "square"]
)
VERDICT_COLOURS = alt.Scale(domain=list(VERDICT_LABELS.values()), range=[HIGH, SUSPECT, SUSPECT, PLAIN, CHANCE])
VERDICT_MARKS = alt.Scale(
    domain=list(VERDICT_LABELS.values()), range=["triangle-right", "square", "diamond", "circle", "cross"]
)
WIDTH, NARROW, DETAIL_WIDTH = 460, 380, 230
"""Plot widths, pixels: a chart with short labels; one with long labels, two of which fit side by side on a wide screen;
the detail chart next to another."""
ROW_PX, LINE, NAME_LINE = 24, 27, 33
PERCENT: dict[str, Any] = {"format": ".0%", "tickCount": 6}
UNTITLED: dict[str, Any] = {"title": None}
"""An axis or legend that shows no title; the field's own title still names it to screen readers."""


def x_at(pixels: Any) -> alt.XValue:
    """A position from the left, in pixels; given a bare value, Altair compares it with all its classes to find this one."""
    return alt.XValue(pixels)  # type: ignore[no-untyped-call]


def y_at(pixels: Any) -> alt.YValue:
    """A position from the top, in pixels."""
    return alt.YValue(pixels)  # type: ignore[no-untyped-call]


AT_LEFT, AT_TOP = x_at(0), y_at(0)


@cache
def wrap_label(text: str, width: int = LINE) -> str:
    """Break a long label into lines of about `width` letters, so that a narrow screen has room for the chart."""
    return "\n".join(textwrap.wrap(text, width, break_long_words=False)) or text


def wrap_column(name: str) -> pl.Expr:
    """The column with each text broken into lines."""
    return pl.col(name).map_elements(wrap_label, return_dtype=pl.String)


def rows_height(labels: pl.Series) -> int:
    """Height of a chart with one row per label, pixels."""
    lines = max((label.count("\n") for label in labels), default=0) + 1
    return (ROW_PX if lines == 1 else 2 + 15 * lines) * max(labels.n_unique(), 1)


@alt.theme.register(THEME, enable=False)
def theme() -> alt.theme.ThemeConfig:
    """Plain axes, no frame, a font that every machine has; colours of text are left to the page (light and dark)."""
    text = {
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
    }
    look: Any = {
        "config": {
            "background": "transparent",
            "font": FONT,
            "lineBreak": "\n",
            "numberFormat": ",.3~f",  # of a number that a screen reader announces
            "view": {"stroke": None},
            "axis": {**text, "gridColor": "#8883", "domainColor": CHANCE, "tickColor": CHANCE, "labelLimit": 300},
            "axisY": {"grid": True},
            "axisX": {
                "grid": False, "labelFlush": False, "labelOverlap": "greedy", "labelSeparation": 6, "titleAnchor": "end",
                "titleLimit": 0,
            },
            "legend": {**text, "orient": "top", "title": None, "symbolSize": 80, "labelLimit": 300},
            "title": {"anchor": "start", "frame": "bounds", "fontSize": 13, "offset": 8},
            "header": text,
        }
    }  # fmt: skip
    return look


def layer_charts(*charts: Any, shared: alt.Chart | None = None, **properties: Any) -> Any:
    """The charts over one another, the first at the bottom, with properties of the whole.

    The data, transforms and encoding of `shared` are those of every part that has none of its own.

    Altair copies every part of a layer some ten times; parts that are plain dictionaries already are copied quickly.
    """
    for chart in (*charts, *([shared] if shared else [])):
        if isinstance(chart, alt.Chart):
            _convert_parts_to_dicts(chart)
    if shared:
        properties |= {"data": shared.data, "transform": shared.transform, "encoding": shared.encoding}
    return alt.layer(*charts, **properties)


def _convert_parts_to_dicts(chart: alt.Chart) -> None:
    """Make mark, encoding and transforms of a chart plain dictionaries."""
    if isinstance(chart.mark, alt.SchemaBase):
        chart.mark = chart.mark.to_dict(validate=False)
    if isinstance(chart.encoding, alt.SchemaBase):
        channels = chart.encoding.to_dict(validate=False, context={"data": chart.data})
        chart.encoding = type(chart.encoding)(**channels)
    if isinstance(chart.transform, list):  # a lookup keeps its table until the whole is written
        unchanged = dict, alt.LookupTransform
        chart.transform = [
            one if isinstance(one, unchanged) else one.to_dict(validate=False) for one in chart.transform
        ]


def separate_scales(*channels: str) -> dict[str, Any]:
    """The `resolve` of charts side by side whose scales differ on these channels.

    Given where charts are put together: each method called afterwards copies all of them.
    """
    return {"scale": dict.fromkeys(channels, "independent")}


def conditional(channel: type[Any], when: Any, then: Any, otherwise: Any) -> Any:
    """A channel with one value where the condition holds and another where it does not."""
    return channel(**alt.condition(when, alt.value(then), alt.value(otherwise)))


def interval_rule(base: alt.Chart, lo: str, hi: str, axis: dict[str, Any], width: Any = None) -> alt.Chart:
    """A horizontal line from `lo` to `hi`; screen readers read the interval with the estimate's mark instead."""
    return base.mark_rule(color=CHANCE, aria=False).encode(
        x=alt.X(f"{lo}:Q", title="from", axis=axis),
        x2=alt.X2(f"{hi}:Q", title="to"),
        strokeWidth=width or alt.StrokeWidthValue(2),
    )


def vertical_line(x: float, axis: dict[str, Any], dash: list[int] | None = None) -> alt.Chart:
    """A grey line across the chart at `x`; layers of one chart share one axis, or its title repeats."""
    mark = alt.Chart(pl.DataFrame({"x": [x]})).mark_rule(color=CHANCE, aria=False, strokeDash=dash or [1, 0])
    return mark.encode(x=alt.X("x:Q", title="reference", axis=axis))


def click_selection(field: str, names: list[str], first: str | None, label: str) -> alt.Parameter:
    """A selection by a click or, for keyboards, from a list; one of `names` is always selected.

    Parameters
    ----------
    field
        The column that holds the names.
    names
        What may be selected, in the list's order.
    first
        What is selected at the start; the first of the names unless given.
    label
        What is selected, in the trade's words: shown before the list.
    """
    start = first if first in names else next(iter(names), None)
    return alt.selection_point(
        name=f"chosen_{field}",
        fields=[field],
        value=[{field: start}] if start is not None else [],
        on="click",
        clear=False,
        empty=False,
        bind=alt.binding_select(options=names, name=f"{label} "),
    )


def selected_name(selection: alt.Parameter, data: alt.Chart, field: str, label: str) -> alt.Chart:
    """The selected name in bold above the detail chart, in room for two lines: the picture may not grow with a choice."""
    lines = f"split(trim(replace(datum.{field}, regexp('(.{{1,{NAME_LINE}}})( |$)', 'g'), '$1\\n')), '\\n')"
    return (
        data.transform_filter(selection)
        .transform_aggregate(n="count()", groupby=[field])
        .transform_calculate(lines=lines)
        .mark_text(align="left", baseline="top", dy=-32, fontWeight="bold", color=PLAIN)
        .encode(text=alt.Text("lines:N", title=label), x=AT_LEFT, y=AT_TOP)
    )


def reading_words() -> pl.Expr:
    """Readings of a dose-response curve as text, those counted together as `6+`."""
    one = pl.col("reading").map_elements(lambda value: f"{value:g}", return_dtype=pl.String)
    return pl.coalesce("pooled", one)
