"""One look for every chart: own palette that colour-blind readers can tell apart, text that keeps to the page's colours."""

from __future__ import annotations

from typing import Any

import altair as alt

INK, QUIET, CHANCE = "#2b2a27", "#6f6a60", "#a9a397"
HIGH, LOW, PLAIN = "#a8431f", "#1f6f8b", "#4b4a63"
"""Rust for more than chance explains, teal for fewer, slate for what is simply shown; each also has a word or mark."""
SIGNAL_COLOURS = alt.Scale(domain=["high", "low", "none", "too_few"], range=[HIGH, LOW, PLAIN, CHANCE])
SIGNAL_MARKS = alt.Scale(
    domain=["high", "low", "none", "too_few"], range=["triangle-up", "triangle-down", "circle", "cross"]
)
SIGNAL_WORDS = {
    "high": "more than chance",
    "low": "fewer than chance",
    "none": "within chance",
    "too_few": "too few to tell",
}
WIDTH = 560
ROW_PX = 22


@alt.theme.register("rebleed", enable=True)
def theme() -> alt.theme.ThemeConfig:
    """Plain axes, no frame, a font that every machine has; colours of text are left to the page (light and dark)."""
    text: dict[str, Any] = {"labelFont": FONT, "titleFont": FONT, "labelFontSize": 12, "titleFontSize": 12}
    return {
        "config": {
            "background": "transparent",
            "font": FONT,
            "view": {"stroke": None},
            "axis": {**text, "grid": True, "gridColor": "#8885", "domainColor": CHANCE, "labelLimit": 260},
            "legend": {**text, "orient": "top", "title": None, "symbolSize": 80},
            "title": {"font": FONT, "anchor": "start", "fontSize": 13},
        }
    }


FONT = "DejaVu Sans, Verdana, sans-serif"
