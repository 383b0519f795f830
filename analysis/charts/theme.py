"""One look for every chart: own palette that colour-blind readers can tell apart, readable on light and dark paper."""

from __future__ import annotations

import textwrap
from functools import cache
from typing import Any

import altair as alt

from analysis.drawing import FONT

HIGH, SUSPECT, LOW, PLAIN, CHANCE = "#c8522a", "#a87b10", "#1d87a3", "#7a78a8", "#8b867c"
"""Rust for clearly more, ochre for suspected, teal for clearly fewer, slate for neutral marks, grey for chance."""
COLOURS = (HIGH, SUSPECT, LOW, PLAIN, CHANCE)
LIGHT_PAPER, DARK_PAPER = "#fbfaf7", "#1d1c1a"
SIGNAL_LABELS = {
    "high": "clearly more",
    "low": "clearly fewer",
    "none": "no clear difference",
    "too_few": "too few to say",
    "in_question": "returns in question",
}
VERDICT_LABELS = {
    "costs_comebacks": "leads to comebacks",
    "suspected": "suspected",
    "no_sign": "no clear cost",
    "too_few": "too few to say",
}
SIGNAL_COLOURS = alt.Scale(domain=list(SIGNAL_LABELS.values()), range=[HIGH, LOW, PLAIN, CHANCE, CHANCE])
SIGNAL_MARKS = alt.Scale(
    domain=list(SIGNAL_LABELS.values()), range=["triangle-up", "triangle-down", "circle", "cross", "square"]
)
VERDICT_COLOURS = alt.Scale(domain=list(VERDICT_LABELS.values()), range=[HIGH, SUSPECT, PLAIN, CHANCE])
VERDICT_MARKS = alt.Scale(domain=list(VERDICT_LABELS.values()), range=["triangle-right", "diamond", "circle", "cross"])
WIDTH, NARROW, DETAIL_WIDTH = 460, 380, 230
"""Plot widths, pixels: of a chart with short labels, and with long ones, two of which stand side by side on a wide
screen; of what stands beside one."""
ROW_PX, LINE = 24, 27
PERCENT = {"format": ".0%", "tickCount": 6}
AT_LEFT, AT_TOP = alt.XValue(0), alt.YValue(0)  # type: ignore[no-untyped-call]


@cache
def folded(text: str, width: int = LINE) -> str:
    """A long label in lines of about `width` letters, so that a narrow screen has room for the chart."""
    return "\n".join(textwrap.wrap(text, width, break_long_words=False)) or text


def rows_px(labels: list[str]) -> int:
    """The height of a chart with these labels, one a row."""
    lines = max((label.count("\n") for label in labels), default=0) + 1
    return (ROW_PX if lines == 1 else 2 + 15 * lines) * max(len(set(labels)), 1)


@alt.theme.register("rebleed", enable=True)
def theme() -> alt.theme.ThemeConfig:
    """Plain axes, no frame, a font that every machine has; colours of text are left to the page (light and dark)."""
    text = {
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
    }
    look: Any = {
        "config": {
            "background": "transparent",
            "font": FONT,
            "lineBreak": "\n",
            "view": {"stroke": None},
            "axis": {**text, "gridColor": "#8883", "domainColor": CHANCE, "tickColor": CHANCE, "labelLimit": 300},
            "axisY": {"grid": True},
            "axisX": {
                "grid": False, "labelFlush": False, "labelOverlap": "greedy", "labelSeparation": 6, "titleAnchor": "end",
                "titleLimit": 0,
            },
            "legend": {**text, "orient": "top", "title": None, "symbolSize": 80, "labelLimit": 300},
            "title": {"font": FONT, "anchor": "start", "frame": "bounds", "fontSize": 13, "offset": 8},
            "header": text,
        }
    }  # fmt: skip
    return look
