"""Who draws charts as pictures: this process, or others beside it that draw while this one goes on.

The drawing library holds Python's lock while it works and takes seconds to make ready; processes of its own take both
off an audit's hands.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from multiprocessing.connection import Connection
from queue import SimpleQueue

PROCESSES = 2


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
    """Draws in other processes, which end with this one; draws here what they cannot."""

    def __init__(self, easels: tuple[Connection, ...]) -> None:
        self._free: SimpleQueue[Connection] = SimpleQueue()
        for easel in easels:
            self._free.put(easel)
        self._asking = ThreadPoolExecutor(max_workers=len(easels))
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
        easel = self._free.get()
        try:
            easel.send(chart)
            return str(easel.recv())
        except (EOFError, OSError):
            if not self._open:
                return ""
            return _drawn(chart) if chart else library_text()
        finally:
            self._free.put(easel)


@contextmanager
def painter_beside() -> Iterator[Painter]:
    """A painter in processes of its own, one for each of two cores, which make themselves ready while the caller works."""
    spawning = multiprocessing.get_context("spawn")
    ours, theirs = zip(*(spawning.Pipe() for _ in range(min(PROCESSES, os.cpu_count() or 1))), strict=True)
    painting = [spawning.Process(target=_painting, args=(easel,), daemon=True) for easel in theirs]
    for process, easel in zip(painting, theirs, strict=True):
        process.start()
        easel.close()
    painter = PainterBeside(ours)
    try:
        yield painter
    finally:
        painter.close()
        for process, easel in zip(painting, ours, strict=True):
            process.kill()
            process.join()
            easel.close()


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
