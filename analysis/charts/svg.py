"""Charts as SVG pictures, drawn in a worker: the library holds Python's lock, and may end the process it runs in."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from functools import cache
from importlib import metadata
from importlib.util import cache_from_source
from pathlib import Path

from analysis.drawing import notice_svg, render_svg
from analysis.parallel import BrokenProcessPool, Executor, Future, SerialExecutor, WorkerExecutor


class SvgRenderer:
    """Draw Vega-Lite, as JSON text, into SVG, each chart once, never in this process if a worker can be started.

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
        """Have a picture drawn that will be needed."""
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


@cache
def library_text() -> str:
    """The chart library as one script, for pages without a network.

    Made once an installation, and cached where Python keeps its own compiled modules.
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
    """Whole or not at all; an installation that cannot be written to caches nothing."""
    temporary = path.with_name(f"{path.name}.{os.getpid()}")
    with suppress(OSError):
        path.parent.mkdir(exist_ok=True)
        temporary.write_text(text, "utf-8")
        temporary.replace(path)


SHARED = SvgRenderer()
"""Draws each picture when it is needed."""
