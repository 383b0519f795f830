"""How a chart shows itself: as a specification a page can carry, and in JupyterLab without a network."""

from __future__ import annotations

import json
from typing import Any

import altair as alt


def specification(chart: alt.Chart) -> dict[str, Any]:
    """The chart as Vega-Lite, its data with it."""
    with alt.data_transformers.enable("default", max_rows=20_000):
        return chart.to_dict()


def library_text() -> str:
    """The chart library as one script, for a page that has no network."""
    import vl_convert

    return vl_convert.javascript_bundle()


def init_notebook() -> None:
    """Charts in a notebook as pictures that need no network."""
    alt.renderers.register("rebleed", _static)
    alt.renderers.enable("rebleed")


def _static(spec: dict[str, Any], **_: Any) -> dict[str, str]:
    import vl_convert

    words = str(spec.get("description", "chart"))
    return {"image/svg+xml": vl_convert.vegalite_to_svg(json.dumps(spec)), "text/plain": words}
