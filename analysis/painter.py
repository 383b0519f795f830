"""Charts as pictures, drawn by other processes while this one continues.

The drawing library holds Python's lock while it works and takes a second to start.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from importlib import metadata
from importlib.util import cache_from_source
from pathlib import Path

from analysis.drawing import drawn_here, drawn_safely
from analysis.hands import HERE as NOBODY_ELSE
from analysis.hands import Hands


class Painter:
    """Draws Vega-Lite, as JSON text, into SVG, once a chart."""

    def __init__(self, hands: Hands = NOBODY_ELSE) -> None:
        self._hands = hands
        self._ordered: dict[str, Callable[[], str]] = {}

    def order(self, chart: str) -> None:
        """A picture that will be asked for: may be drawn ahead."""
        if self._hands.beside and chart not in self._ordered:
            self._ordered[chart] = self._hands.leave(drawn_safely, chart, os.getpid())

    def picture(self, chart: str) -> str:
        """The picture of a chart, or one that says it could not be drawn."""
        return self._ordered[chart]() if chart in self._ordered else drawn_safely(chart, os.getpid())


@cache
def library_text() -> str:
    """The chart library as one script, for pages without a network: made once an installation, kept where Python keeps its own compiled modules."""
    kept = Path(cache_from_source(__file__)).with_name(f"chart-library-{metadata.version('vl-convert-python')}.js")
    with suppress(OSError, UnicodeDecodeError):
        return kept.read_text("utf-8")
    import vl_convert

    made = str(vl_convert.javascript_bundle())  # type: ignore[call-arg]
    if not sys.dont_write_bytecode:
        _keep(made, kept)
    return made


def _keep(text: str, kept: Path) -> None:
    """Whole or not at all; an installation that cannot be written to keeps nothing."""
    beside = kept.with_name(f"{kept.name}.{os.getpid()}")
    with suppress(OSError):
        kept.parent.mkdir(exist_ok=True)
        beside.write_text(text, "utf-8")
        beside.replace(kept)


def ready_to_draw() -> None:
    """Make the drawing library ready: a second, once a process."""
    drawn_here('{"mark": "point", "data": {"values": [{}]}}')


HERE = Painter()
"""Draws each picture when it is wanted."""
