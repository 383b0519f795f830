"""Charts that bring their own look and show themselves in a notebook, without changing the user's Altair.

A chart of this project is drawn in the theme `rebleed` and shows itself offline, whatever theme is enabled. Charts
of the user, and charts that the user builds from ours, follow the user's theme and renderer.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import altair as alt

from analysis.charts.embed import drawable, png, specification
from analysis.charts.saved_spec import saved_spec
from analysis.charts.theme import THEME

P = ParamSpec("P")
T = TypeVar("T", bound=alt.TopLevelMixin)
Bundle = tuple[dict[str, Any], dict[str, Any]]
VEGALITE = "application/vnd.vegalite.v5+json"
"""What JupyterLab 4 draws by itself, also in a notebook that is not trusted; our charts need nothing newer."""
SCHEMA = "https://vega.github.io/schema/vega-lite/v5.json"
TEXT_ON_ANY_PAPER = "#767676"
"""Words inside a chart, which do not follow the dark theme: 4.5 to 1 on white, 4.2 to 1 on JupyterLab's dark paper."""
EMBEDDING = {"embed_options": {"actions": False, "renderer": "svg"}}


class BuiltInLook:
    """Mixed into Altair's chart classes."""

    def to_dict(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        """The chart as Vega-Lite, in the theme `rebleed` if it is not a part of another chart."""
        with alt.theme.enable(THEME):
            return super().to_dict(*args, **kwargs)  # type: ignore[misc]

    def _repr_mimebundle_(self, *args: Any, **kwargs: Any) -> Bundle | dict[str, Any] | None:
        if alt.renderers.active != "default":  # the user has chosen one
            return super()._repr_mimebundle_(*args, **kwargs)  # type: ignore[misc]
        return mime_bundle(specification(self))


class BuiltInChart(BuiltInLook, alt.Chart):
    """A chart of one view."""


class BuiltInLayerChart(BuiltInLook, alt.LayerChart):
    """A chart of several layers."""


class BuiltInFacetChart(BuiltInLook, alt.FacetChart):
    """The same chart for each group."""


class BuiltInConcatChart(BuiltInLook, alt.ConcatChart):
    """A board."""


class BuiltInHConcatChart(BuiltInLook, alt.HConcatChart):
    """Two charts side by side."""


class BuiltInVConcatChart(BuiltInLook, alt.VConcatChart):
    """Two charts one above the other."""


OWN = {kind.__bases__[1]: kind for kind in BuiltInLook.__subclasses__()}


def with_built_in_look(draw: Callable[P, T]) -> Callable[P, T]:
    """The function with the chart it returns in our look, wherever it is displayed."""

    @wraps(draw)
    def draw_in_own_look(*args: P.args, **kwargs: P.kwargs) -> T:
        chart = draw(*args, **kwargs)
        object.__setattr__(chart, "__class__", OWN.get(type(chart), type(chart)))  # Altair takes attributes for its own
        return chart

    return draw_in_own_look


def init_notebook(*, pictures: bool = False) -> None:
    """Draw your own Altair charts like the built-in ones: in the theme `rebleed`, without a network.

    The built-in charts need no such call: theme and offline renderer are included.

    Parameters
    ----------
    pictures
        Whether all charts, including the built-in ones, are saved as pictures only: nothing to click, but a notebook small
        enough to send.
    """
    alt.renderers.register("rebleed", lambda spec, **_: mime_bundle(drawable(spec), pictures=pictures))
    alt.renderers.enable("rebleed")
    alt.theme.enable(THEME)


def mime_bundle(spec: dict[str, Any], *, pictures: bool = False) -> Bundle:
    """What a notebook stores of a chart: its specification, a picture for readers that draw nothing, its description.

    No HTML: where a notebook is not trusted or is sanitised, front ends take a script's HTML apart and show the rest.
    """
    picture, words = png(spec), str(spec.get("description", "chart"))
    data: dict[str, Any] = {"text/plain": words} | ({"image/png": picture} if picture else {})
    if not (pictures and picture):
        config = {**spec.get("config", {}), "text": {"color": TEXT_ON_ANY_PAPER}}
        data[VEGALITE] = saved_spec({**spec, "$schema": SCHEMA, "config": config})
    return data, {VEGALITE: EMBEDDING, "image/png": {"alt": words}}
