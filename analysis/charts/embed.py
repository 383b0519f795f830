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
from analysis.charts.svg import SHARED, SvgRenderer, library_text

CLIP = re.compile(r'(?<=id=")clip\d+(?=")|(?<=url\(#)clip\d+(?=\))')
"""Names of a picture's frames, which the drawing library counts on from picture to picture."""

VIEW = re.compile(r"view_[0-9a-f]{16}(_\d+)*")
SHORT_LABEL = 40
"""Characters of a label that need not be held against the limit: some 270 pixels."""
EMBEDDING = {"ast": True, "actions": False, "renderer": "svg"}


def specification(chart: Any) -> dict[str, Any]:
    """The chart as Vega-Lite, its data with it."""
    with alt.data_transformers.enable("default", max_rows=20_000):
        spec: dict[str, Any] = drawable(chart.to_dict(validate=schemapi.DEBUG_MODE))
    if _labels_fit(spec):
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


def _labels_fit(spec: dict[str, Any]) -> bool:
    """Whether no label can be too long: holding each against its limit is up to half of what a picture takes."""
    fields = set(_fields(spec))
    rows = (row for rows in spec.get("datasets", {}).values() for row in rows if isinstance(row, dict))
    words = [value for row in rows for field, value in row.items() if field in fields and isinstance(value, str)]
    return all(len(line) <= SHORT_LABEL and line.isascii() for word in words for line in word.split("\n"))


def _fields(spec: Any) -> Iterator[str]:
    """Fields that a chart shows, apart from words on hovering and in the plot, which have no limit."""
    if isinstance(spec, list):
        for one in spec:
            yield from _fields(one)
    elif isinstance(spec, dict):
        for name, value in spec.items():
            if name == "field":
                yield str(value)
            elif name not in ("tooltip", "text", "datasets"):
                yield from _fields(value)


def without_validation() -> AbstractContextManager[None]:
    """While it lasts, charts are not held against Vega-Lite's schema part by part, most of the time a chart takes."""
    return schemapi.debug_mode(False)


def prefetch_svg(spec: dict[str, Any], renderer: SvgRenderer) -> None:
    """Have a picture drawn that will be needed."""
    renderer.prefetch(_text(spec))


def svg(spec: dict[str, Any], renderer: SvgRenderer = SHARED) -> str:
    """The chart as an SVG picture: what is seen before any script runs, without scripts, and on paper."""
    chart_text = _text(spec)
    image = renderer.svg(chart_text)
    own = hashlib.sha256(chart_text.encode()).hexdigest()[:8]
    marks = dict.fromkeys(CLIP.findall(image))
    names = {mark: f"clip-{own}-{place}" for place, mark in enumerate(marks)}
    return CLIP.sub(lambda match: names[match[0]], image)


def init_notebook() -> None:
    """Put the chart library into the notebook, so that charts answer to the pointer; without it they are pictures."""
    from IPython.display import HTML, display

    alt.renderers.register("rebleed", _mime_bundle)
    alt.renderers.enable("rebleed")
    display(HTML(f"<script>{library_text()}</script>"))  # type: ignore[no-untyped-call]


def _mime_bundle(spec: dict[str, Any], **_: Any) -> dict[str, str]:
    """A picture, and the script that puts the living chart in its place where the library is at hand."""
    spec = drawable(spec)
    chart_text = _text(spec)
    words = str(spec.get("description", "chart"))
    place = f"chart-{hashlib.sha256(chart_text.encode()).hexdigest()[:12]}"
    still = svg(spec)
    harmless = chart_text.replace("<", "\\u003c")
    script = f'if (window.vegaEmbed) vegaEmbed("#{place}", {harmless}, {json.dumps(EMBEDDING)});'
    figure = f'<div id="{place}" role="img" aria-label="{html.escape(words)}">{still}</div>'
    return {"text/html": f"{figure}<script>{script}</script>", "image/svg+xml": still, "text/plain": words}


def _text(spec: dict[str, Any]) -> str:
    return json.dumps(spec, ensure_ascii=False)
