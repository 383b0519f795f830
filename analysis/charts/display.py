"""How a chart shows itself: as a specification a page can carry, and in JupyterLab without a network."""

from __future__ import annotations

import hashlib
import html
import json
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager
from typing import Any

import altair as alt
from altair.utils import schemapi

from analysis.charts.drawable import drawable
from analysis.painter import SHARED, SvgRenderer, library_text

CLIP = re.compile(r'(?<=id=")clip\d+(?=")|(?<=url\(#)clip\d+(?=\))')
"""Names of a picture's frames, which the drawing library counts on from picture to picture."""

VIEW = re.compile(r"view_[0-9a-f]{16}(_\d+)*")
SHORT_WORD = 40
"""Characters of a label that need not be held against the limit: some 270 pixels."""
EMBEDDING = {"ast": True, "actions": False, "renderer": "svg"}


def specification(chart: Any) -> dict[str, Any]:
    """The chart as Vega-Lite, its data with it."""
    with alt.data_transformers.enable("default", max_rows=20_000):
        spec: dict[str, Any] = drawable(chart.to_dict(validate=schemapi.DEBUG_MODE))
    if _short_words(spec):
        for part in ("axis", "legend"):
            spec["config"][part]["labelLimit"] = 0
    return _with_own_view_names(spec)


def _with_own_view_names(spec: dict[str, Any]) -> dict[str, Any]:
    """The chart with its views numbered: the library names them by how a table prints, which polars' settings change."""
    names: dict[str, str] = {}

    def renamed(part: Any) -> Any:
        if isinstance(part, dict):
            return {key: value if key == "datasets" else renamed(value) for key, value in part.items()}
        if isinstance(part, list):
            return [renamed(one) for one in part]
        if isinstance(part, str) and VIEW.fullmatch(part):
            return names.setdefault(part, f"view_{len(names) + 1}")
        return part

    return {key: value if key == "datasets" else renamed(value) for key, value in spec.items()}


def _short_words(spec: dict[str, Any]) -> bool:
    """Whether no label can be too long: holding each against its limit is up to half of what a picture takes."""
    fields = set(_fields(spec))
    rows = (row for rows in spec.get("datasets", {}).values() for row in rows)
    words = [value for row in rows for field, value in row.items() if field in fields and isinstance(value, str)]
    return all(len(line) <= SHORT_WORD and line.isascii() for word in words for line in word.split("\n"))


def _fields(part: Any) -> Iterator[str]:
    """Fields that a chart shows, apart from words on hovering and in the plot, which have no limit."""
    if isinstance(part, list):
        for one in part:
            yield from _fields(one)
    elif isinstance(part, dict):
        for name, value in part.items():
            if name == "field":
                yield str(value)
            elif name not in ("tooltip", "text", "datasets"):
                yield from _fields(value)


def unchecked() -> AbstractContextManager[None]:
    """While it lasts, charts are not held against Vega-Lite's schema part by part, most of the time a chart takes."""
    return schemapi.debug_mode(False)


def order_picture(spec: dict[str, Any], renderer: SvgRenderer) -> None:
    """Have a picture drawn that will be needed."""
    renderer.prefetch(_text(spec))


def picture(spec: dict[str, Any], renderer: SvgRenderer = SHARED) -> str:
    """The chart as an SVG picture: what is seen before any script runs, without scripts, and on paper."""
    told = _text(spec)
    drawn = renderer.svg(told)
    own = hashlib.sha256(told.encode()).hexdigest()[:8]
    marks = dict.fromkeys(CLIP.findall(drawn))
    names = {mark: f"clip-{own}-{place}" for place, mark in enumerate(marks)}
    return CLIP.sub(lambda found: names[found[0]], drawn)


def init_notebook() -> None:
    """Put the chart library into the notebook, so that charts answer to the pointer; without it they are pictures."""
    from IPython.display import HTML, display

    alt.renderers.register("rebleed", _shown)
    alt.renderers.enable("rebleed")
    display(HTML(f"<script>{library_text()}</script>"))  # type: ignore[no-untyped-call]


def _shown(spec: dict[str, Any], **_: Any) -> dict[str, str]:
    """A picture, and the script that puts the living chart in its place where the library is at hand."""
    spec = drawable(spec)
    told = _text(spec)
    words = str(spec.get("description", "chart"))
    place = f"chart-{hashlib.sha256(told.encode()).hexdigest()[:12]}"
    still = picture(spec)
    harmless = told.replace("<", "\\u003c")
    script = f'if (window.vegaEmbed) vegaEmbed("#{place}", {harmless}, {json.dumps(EMBEDDING)});'
    figure = f'<div id="{place}" role="img" aria-label="{html.escape(words)}">{still}</div>'
    return {"text/html": f"{figure}<script>{script}</script>", "image/svg+xml": still, "text/plain": words}


def _text(spec: dict[str, Any]) -> str:
    return json.dumps(spec, ensure_ascii=False)
