"""One look for every chart: own palette that colour-blind readers can tell apart, readable on light and dark paper."""

from __future__ import annotations

from typing import Any

import altair as alt

HIGH, SUSPECT, LOW, PLAIN, CHANCE = "#c8522a", "#a87b10", "#1d87a3", "#7a78a8", "#8b867c"
"""Rust for more than chance explains, ochre for suspected, teal for fewer, slate for what is shown, grey for chance."""
COLOURS = (HIGH, SUSPECT, LOW, PLAIN, CHANCE)
LIGHT_PAPER, DARK_PAPER = "#fbfaf7", "#1d1c1a"
SIGNAL_WORDS = {
    "high": "more than chance",
    "low": "fewer than chance",
    "none": "within chance",
    "too_few": "too few to tell",
}
VERDICT_WORDS = {
    "costs_comebacks": "costs comebacks",
    "suspected": "suspected",
    "no_sign": "no sign",
    "too_few": "too few to tell",
}
SIGNAL_COLOURS = alt.Scale(domain=list(SIGNAL_WORDS.values()), range=[HIGH, LOW, PLAIN, CHANCE])
SIGNAL_MARKS = alt.Scale(domain=list(SIGNAL_WORDS.values()), range=["triangle-up", "triangle-down", "circle", "cross"])
VERDICT_COLOURS = alt.Scale(domain=list(VERDICT_WORDS.values()), range=[HIGH, SUSPECT, PLAIN, CHANCE])
VERDICT_MARKS = alt.Scale(domain=list(VERDICT_WORDS.values()), range=["triangle-right", "diamond", "circle", "cross"])
WIDTH = 600
ROW_PX = 24
FONT = "DejaVu Sans, Verdana, sans-serif"
PERCENT = alt.Axis(format=".0%")


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
            "view": {"stroke": None},
            "axis": {**text, "gridColor": "#8883", "domainColor": CHANCE, "tickColor": CHANCE, "labelLimit": 300},
            "axisY": {"grid": True},
            "axisX": {"grid": False},
            "legend": {**text, "orient": "top", "title": None, "symbolSize": 80, "labelLimit": 300},
            "title": {"font": FONT, "anchor": "start", "fontSize": 13},
            "header": text,
        }
    }
    return look
