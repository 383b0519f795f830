"""Charts drawn as SVG by the drawing library."""

from __future__ import annotations

import html
import os
from multiprocessing import parent_process
from pathlib import Path
from typing import Any

from analysis.errors import UserError

OWN_FONT = "Liberation Sans"
"""A font that comes with the drawing library."""
PAGE_FONT = "Bench Sans"
"""The letters of `OWN_FONT` that a page embeds, under the name that its licence requires."""
FONT = f"{PAGE_FONT}, {OWN_FONT}, Arial, Helvetica, sans-serif"
"""Fonts of every chart: each machine has one of them, and all but the last are equally wide."""
ADDRESS_SPACE_BYTES = 66 * 2**30
"""The drawing library reserves 64 GB (measured as VmPeak), and this process some more."""
NOT_DRAWN = "This chart could not be drawn here. Its figures are in the tables."


def require_address_space() -> None:
    """Refuse a limit on addresses (`ulimit -v`) under which the drawing library would end the process.

    Raises
    ------
    UserError
        The limit is below what the library reserves.
    """
    try:
        import resource
    except ImportError:  # Windows has no such limit
        return
    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    if limit != resource.RLIM_INFINITY and limit < ADDRESS_SPACE_BYTES:
        raise UserError(
            "this machine",
            f"limits a process's address space to {limit / 2**30:.1f} GB",
            f"at least {ADDRESS_SPACE_BYTES / 2**30:.0f} GB: the drawing library reserves that much but does not use the memory",
            "remove the limit: ulimit -v unlimited",
        )


def render_svg(chart: str) -> str:
    """The SVG of a chart in Vega-Lite JSON, drawn by this process.

    Only one font is used: the library would look up each of the others for every letter it measures.

    Raises
    ------
    ValueError
        The library cannot draw it. On some characters the library ends the process instead.
    """
    svg = str(_import_drawing_library().vegalite_to_svg(_set_own_font(chart)))
    return svg.replace(f'font-family="{OWN_FONT}"', f'font-family="{FONT}"')


def render_png(chart: str) -> bytes:
    """The chart as a PNG picture; errors as in `render_svg`."""
    return bytes(_import_drawing_library().vegalite_to_png(_set_own_font(chart)))


def _set_own_font(chart: str) -> str:
    return chart.replace(f'"{FONT}"', f'"{OWN_FONT}"')


def _import_drawing_library() -> Any:
    if parent_process() is not None:  # in a worker: no font files to open, a third faster
        os.environ.setdefault("FONTCONFIG_FILE", str(Path(__file__).with_name("fonts.conf")))
    import vl_convert

    return vl_convert


def warm_up_renderer() -> None:
    """Load the drawing library: one second per process."""
    render_svg('{"mark": "point", "data": {"values": [{}]}}')


def notice_svg() -> str:
    """A picture that says a chart could not be drawn."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="460" height="40" viewBox="0 0 460 40">'
        f'<text x="0" y="24" font-family="{FONT}" font-size="13">{html.escape(NOT_DRAWN)}</text></svg>'
    )
