"""Who draws charts as pictures: this process, or one beside it that draws while this one goes on.

The drawing library holds Python's lock while it works and takes seconds to make ready; a process of its own takes both
off an audit's hands.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from multiprocessing.connection import Connection


class Painter:
    """Draws Vega-Lite, as JSON text, into SVG, in this process."""

    def order(self, chart: str) -> None:
        """A picture that will be asked for: may be drawn ahead."""

    def picture(self, chart: str) -> str:
        """The picture of a chart."""
        return _drawn(chart)

    def library(self) -> str:
        """The chart library as one script, for a page that has no network."""
        return library_text()


HERE = Painter()
"""Who draws where nobody else was asked to."""


class PainterBeside(Painter):
    """Draws in another process, which ends with this one; draws here what that process cannot."""

    def __init__(self, easel: Connection) -> None:
        self._easel = easel
        self._asking = ThreadPoolExecutor(max_workers=1)
        self._library = self._asking.submit(self._asked, "")
        self._ordered: dict[str, Future[str]] = {}
        self._open = True

    def order(self, chart: str) -> None:
        if chart not in self._ordered:
            self._ordered[chart] = self._asking.submit(self._asked, chart)

    def picture(self, chart: str) -> str:
        self.order(chart)
        return self._ordered[chart].result()

    def library(self) -> str:
        return self._library.result()

    def close(self) -> None:
        """Leave what was ordered and not asked for undrawn."""
        self._open = False
        self._asking.shutdown(wait=False, cancel_futures=True)

    def _asked(self, chart: str) -> str:
        try:
            self._easel.send(chart)
            return str(self._easel.recv())
        except (EOFError, OSError):
            if not self._open:
                return ""
            return _drawn(chart) if chart else library_text()


@contextmanager
def painter_beside() -> Iterator[Painter]:
    """A painter in a process of its own, which makes itself ready while the caller works on."""
    spawning = multiprocessing.get_context("spawn")
    ours, theirs = spawning.Pipe()
    process = spawning.Process(target=_painting, args=(theirs,), daemon=True)
    process.start()
    theirs.close()
    painter = PainterBeside(ours)
    try:
        yield painter
    finally:
        painter.close()
        process.kill()
        process.join()
        ours.close()


@cache
def library_text() -> str:
    """The chart library as one script, made once a process."""
    import vl_convert

    return str(vl_convert.javascript_bundle())  # type: ignore[call-arg]


def _drawn(chart: str) -> str:
    import vl_convert

    return str(vl_convert.vegalite_to_svg(chart))


def _painting(orders: Connection) -> None:
    """Answer orders until the other side is gone; an order without a chart asks for the library."""
    while True:
        try:
            chart = orders.recv()
            orders.send(_drawn(chart) if chart else library_text())
        except (EOFError, OSError):
            return
