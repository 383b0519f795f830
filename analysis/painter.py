"""Who draws charts as pictures: this process, or others beside it that draw while this one goes on.

The drawing library holds Python's lock while it works and takes seconds to make ready; processes of its own take both
off an audit's hands.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from queue import SimpleQueue

Process = subprocess.Popen[bytes]
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

    def __init__(self, processes: tuple[Process, ...]) -> None:
        self._free: SimpleQueue[Process] = SimpleQueue()
        for process in processes:
            self._free.put(process)
        self._asking = ThreadPoolExecutor(max_workers=len(processes))
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
        process = self._free.get()
        try:
            return _answer(process, chart)
        except (EOFError, OSError, ValueError):
            if not self._open:
                return ""
            return _drawn(chart) if chart else library_text()
        finally:
            self._free.put(process)


@contextmanager
def painter_beside() -> Iterator[Painter]:
    """A painter in processes of its own, one for each of two cores, which make themselves ready while the caller works."""
    order = [sys.executable, "-P", __file__]
    processes = tuple(
        subprocess.Popen(order, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        for _ in range(min(PROCESSES, os.cpu_count() or 1))
    )
    painter = PainterBeside(processes)
    try:
        yield painter
    finally:
        painter.close()
        for process in processes:
            process.kill()
            process.wait()


def _answer(process: Process, chart: str) -> str:
    """One order and its answer, a line of JSON each."""
    if process.stdin is None or process.stdout is None:
        raise EOFError
    process.stdin.write(json.dumps(chart).encode() + b"\n")
    process.stdin.flush()
    answer = process.stdout.readline()
    if not answer.endswith(b"\n"):
        raise EOFError
    return str(json.loads(answer))


@cache
def library_text() -> str:
    """The chart library as one script, made once a process."""
    import vl_convert

    return str(vl_convert.javascript_bundle())  # type: ignore[call-arg]


def _drawn(chart: str) -> str:
    import vl_convert

    return str(vl_convert.vegalite_to_svg(chart))


def _painting() -> None:
    """Answer orders until the other side is gone; an order without a chart asks for the library."""
    for order in sys.stdin.buffer:
        chart = json.loads(order)
        sys.stdout.buffer.write(json.dumps(_drawn(chart) if chart else library_text()).encode() + b"\n")
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    _painting()
