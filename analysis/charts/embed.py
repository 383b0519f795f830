"""Charts as Vega-Lite for a page, as SVG pictures and in JupyterLab, without a network."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import sys
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib import metadata
from importlib.util import cache_from_source
from io import BytesIO
from pathlib import Path
from typing import Any

import altair as alt
from altair.utils import schemapi

from analysis.charts.theme import LIGHT_PAPER
from analysis.drawing import notice_svg, render_png, render_svg
from analysis.parallel import BrokenProcessPool, Executor, Future, SerialExecutor, WorkerExecutor

MAX_CHART_ROWS = 20_000
MAX_TEXT, MAX_DESCRIPTION = 500, 10_000
"""Characters of one text in a chart (a label shows far fewer) and of a chart's description for screen readers."""
EXPRESSIONS = ("calculate", "filter", "test", "labelExpr")
"""Parts of a chart that are expressions: cut off, they would no longer be valid."""
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
"""Characters that XML 1.0 (W3C, 2008, section 2.2) does not allow: the drawing library ends its process on them."""
LINE_ENDS = {"\u2028": "\u2424", "\u2029": "\u00b6"}
"""Characters that end a line in the chart library's expressions, where a name is a text in quotes."""
CONTROL_PICTURES = 0x2400
"""First character of the Unicode block that shows control characters."""
CLIP = re.compile(r'(?<=id=")clip\d+(?=")|(?<=url\(#)clip\d+(?=\))')
"""Names of a picture's clipping paths, which the drawing library numbers from picture to picture."""
VIEW = re.compile(r"view_[0-9a-f]{16}(_\d+)*")
PALETTE = 40
"""Colours of a picture in a notebook: those of a chart, and the shades on the edges of letters and lines."""
DIAMONDS = str.maketrans("◆", "◊")
"""A sign that `OWN_FONT` lacks, and one like it."""
COMPOSED: Any = (alt.Chart, alt.LayerChart, alt.HConcatChart, alt.VConcatChart, alt.ConcatChart)
SHORT_LABEL = 40
"""Characters of a label that always fit into the label limit: some 270 pixels."""


def drawable(spec: Any) -> Any:
    """Make every text of a specification drawable: control characters become visible signs, long texts are cut."""
    if isinstance(spec, str):
        return _shorten_text(spec, MAX_TEXT)
    if isinstance(spec, list):
        return [drawable(one) for one in spec]
    if isinstance(spec, dict):
        return {name: _drawable_entry(name, value) for name, value in spec.items()}
    return spec


def _drawable_entry(name: str, value: Any) -> Any:
    if name in EXPRESSIONS and isinstance(value, str):
        return _replace_control_characters(value)
    if name == "datasets":
        return {key: rows if isinstance(rows, str) else drawable(rows) for key, rows in value.items()}
    return (
        _shorten_text(value, MAX_DESCRIPTION) if name == "description" and isinstance(value, str) else drawable(value)
    )


def _shorten_text(text: str, most: int) -> str:
    return _replace_control_characters(text if len(text) <= most else f"{text[:most]}…")


def _replace_control_characters(text: str) -> str:
    for sign, replacement in LINE_ENDS.items():
        text = text.replace(sign, replacement)
    return FORBIDDEN.sub(lambda sign: _control_picture(ord(sign[0])), text)


def _control_picture(code: int) -> str:
    return chr(CONTROL_PICTURES + code) if code < 0x20 else "\ufffd"


def specification(chart: Any) -> dict[str, Any]:
    """The chart as a Vega-Lite specification with its data, at most 20,000 rows."""
    with alt.data_transformers.enable("default", max_rows=MAX_CHART_ROWS):
        spec: dict[str, Any] = drawable(chart.to_dict(validate=schemapi.DEBUG_MODE))
    if _labels_fit(spec):
        for part in ("axis", "legend"):
            spec["config"][part]["labelLimit"] = 0
    return _with_numbered_views(spec)


def _with_numbered_views(spec: dict[str, Any]) -> dict[str, Any]:
    """Number the views: Altair names them by how their table prints, which depends on the user's polars settings."""
    names: dict[str, str] = {}

    def rename(part: Any) -> Any:
        if isinstance(part, dict):
            return {key: value if key == "datasets" else rename(value) for key, value in part.items()}
        if isinstance(part, list):
            return [rename(one) for one in part]
        if isinstance(part, str) and VIEW.fullmatch(part):
            return names.setdefault(part, f"view_{len(names) + 1}")
        return part

    return {key: value if key == "datasets" else rename(value) for key, value in spec.items()}


def _labels_fit(spec: dict[str, Any]) -> bool:
    """Whether every label is short: measuring each against the limit takes up to half the time of a picture."""
    fields = set(_label_fields(spec))
    rows = (row for rows in spec.get("datasets", {}).values() for row in rows if isinstance(row, dict))
    words = [value for row in rows for field, value in row.items() if field in fields and isinstance(value, str)]
    return all(len(line) <= SHORT_LABEL and line.isascii() for word in words for line in word.split("\n"))


def _label_fields(spec: Any) -> Iterator[str]:
    """Fields on axes and legends; tooltips and texts in the plot have no limit."""
    if isinstance(spec, list):
        for one in spec:
            yield from _label_fields(one)
    elif isinstance(spec, dict):
        for name, value in spec.items():
            if name == "field":
                yield str(value)
            elif name not in ("tooltip", "text", "datasets"):
                yield from _label_fields(value)


@contextmanager
def quick_composition() -> Iterator[None]:
    """Build charts without validating them, and without copying what the parts of a composed chart consist of.

    Altair copies every part in depth each time parts are put together, some fifty times in a board, although it only sets
    attributes of the copies. It asks a class for `__deepcopy__` first. The charts are the same.
    """
    with schemapi.debug_mode(False):
        for kind in COMPOSED:
            kind.__deepcopy__ = lambda chart, _: chart.copy(deep=False)
        try:
            yield
        finally:
            for kind in COMPOSED:
                del kind.__deepcopy__


class SvgRenderer:
    """Draw Vega-Lite, as JSON text, into SVG in a worker: the library may end the process it runs in.

    Parameters
    ----------
    executor
        A WorkerExecutor draws pictures ahead of need; otherwise a worker shared by the whole process draws each when
        it is needed.
    """

    def __init__(self, executor: Executor | None = None) -> None:
        self._executor = executor if isinstance(executor, WorkerExecutor) else None
        self._pictures: dict[str, Future[str]] = {}

    def prefetch(self, chart: str) -> None:
        """Start drawing a picture that will be needed later."""
        if self._executor is not None and chart not in self._pictures:
            self._pictures[chart] = self._executor.submit(render_svg, chart)

    def svg(self, chart: str) -> str:
        """The picture of a chart, or one that says it could not be drawn."""
        executor = self._executor or _shared_worker()
        try:
            try:
                return (self._pictures.pop(chart, None) or executor.submit(render_svg, chart)).result()
            except BrokenProcessPool:  # it may have been another chart that ended the worker
                return executor.submit(render_svg, chart).result()
        except Exception:
            return notice_svg()


@cache
def _shared_worker() -> Executor:
    """A worker for charts drawn one at a time, as in a notebook; ended with this process."""
    try:
        return WorkerExecutor()
    except (OSError, ImportError):  # no memory for a process; no semaphores on this system
        return SerialExecutor()


SHARED = SvgRenderer()
"""Draws each picture when it is needed."""


def prefetch_svg(spec: dict[str, Any], renderer: SvgRenderer) -> None:
    """Start drawing a picture that will be needed later."""
    renderer.prefetch(_json_text(spec))


def svg(spec: dict[str, Any], renderer: SvgRenderer = SHARED) -> str:
    """The chart as an SVG picture, for print and for readers without JavaScript."""
    chart_text = _json_text(spec)
    image = renderer.svg(chart_text)
    digest = hashlib.sha256(chart_text.encode()).hexdigest()[:8]
    clips = dict.fromkeys(CLIP.findall(image))
    names = {clip: f"clip-{digest}-{number}" for number, clip in enumerate(clips)}
    return CLIP.sub(lambda match: names[match[0]], image)


def png(spec: dict[str, Any]) -> str:
    """The chart as a PNG picture on light paper, in base64; "" if it cannot be drawn."""
    on_paper = {**spec, "config": {**spec.get("config", {}), "background": LIGHT_PAPER}}
    try:
        picture = _shared_worker().submit(render_png, _json_text(on_paper).translate(DIAMONDS)).result()
    except Exception:  # the drawing library failed or ended its worker
        return ""
    return base64.b64encode(_with_palette(picture)).decode()


def _with_palette(picture: bytes) -> bytes:
    """The picture in `PALETTE` colours, an eighth of the bytes."""
    from PIL import Image

    with Image.open(BytesIO(picture)) as image:
        small = image.convert("RGB").quantize(PALETTE, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    out = BytesIO()
    small.save(out, "PNG", optimize=True, compress_type=zlib.Z_FILTERED)
    return out.getvalue()


@cache
def chart_library_script() -> str:
    """The chart library as one script, for pages without a network.

    Built once per installation and cached where Python keeps its compiled modules.
    """
    cached = Path(cache_from_source(__file__)).with_name(f"chart-library-{metadata.version('vl-convert-python')}.js")
    with suppress(OSError, UnicodeDecodeError):
        return cached.read_text("utf-8")
    import vl_convert

    script = str(vl_convert.javascript_bundle())  # type: ignore[call-arg]
    if not sys.dont_write_bytecode:
        _write_cache(script, cached)
    return script


def _write_cache(text: str, path: Path) -> None:
    """Write the whole file or none; an installation that cannot be written to caches nothing."""
    temporary = path.with_name(f"{path.name}.{os.getpid()}")
    with suppress(OSError):
        path.parent.mkdir(exist_ok=True)
        temporary.write_text(text, "utf-8")
        temporary.replace(path)


def _json_text(spec: dict[str, Any]) -> str:
    return json.dumps(spec, ensure_ascii=False)
