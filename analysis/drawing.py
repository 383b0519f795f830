"""Charts drawn as SVG in a process of their own, so that a drawing library that ends its process ends nothing else."""

from __future__ import annotations

import html
import os
import subprocess
import sys
from contextlib import suppress
from threading import Lock
from typing import IO

from analysis.hands import OWN_FONT as FONT_FILE

OWN_FONT = "Liberation Sans"
"""Comes with the drawing library."""
FONT = f"{OWN_FONT}, Arial, Helvetica, sans-serif"
"""Of every chart: one of them is on any machine, and all but the last are equally wide."""
NOT_DRAWN = "This chart could not be drawn here. Its figures are in the tables."
_SERVE = "import sys; sys.path[:] = {}; from analysis.drawing import serve; serve()"
_SIZE_BYTES = 8
_DRAWN, _FAILED = b"1", b"0"


def drawn_here(chart: str) -> str:
    """The SVG of a chart in Vega-Lite JSON, drawn by this process.

    Only the first of the fonts is used: each other one is asked for every letter that is measured.

    Raises
    ------
    ValueError
        The library cannot draw it. On some characters the library ends the process instead.
    """
    import vl_convert

    drawn = str(vl_convert.vegalite_to_svg(chart.replace(f'"{FONT}"', f'"{OWN_FONT}"')))
    return drawn.replace(f'font-family="{OWN_FONT}"', f'font-family="{FONT}"')


def drawn_safely(chart: str, caller: int) -> str:
    """The SVG of a chart, or a picture that says it could not be drawn; the process with the id `caller` survives."""
    if os.getpid() != caller:  # a worker of that process, which may be lost
        return drawn_here(chart)
    drawn = _APART.draw(chart)
    return _notice() if drawn is None else drawn


class _Apart:
    """One process that draws, started with the first chart and again after one that it did not survive."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def draw(self, chart: str) -> str | None:
        """The SVG; None if the chart cannot be drawn."""
        with self._lock:
            try:
                process = self._process = self._process or _started()
                assert process.stdin is not None
                assert process.stdout is not None
                _send(process.stdin, chart.encode())
                answer = _receive(process.stdout)
            except OSError:
                answer = b""
            except BaseException:  # interrupted: what it still draws is nobody's answer
                self._end()
                raise
            if not answer:
                self._end()
        return answer[1:].decode() if answer[:1] == _DRAWN else None

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            with suppress(OSError):
                pipe.close()  # type: ignore[union-attr]


_APART = _Apart()


def serve() -> None:
    """Draw one chart after another from standard input, until it ends."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not get between answers
    while chart := _receive(sys.stdin.buffer):
        try:
            answer = _DRAWN + drawn_here(chart.decode()).encode()
        except Exception:
            answer = _FAILED
        _send(answers, answer)


def _started() -> subprocess.Popen[bytes]:
    order = [sys.executable, "-P", "-c", _SERVE.format([str(place) for place in sys.path])]
    environment = dict([FONT_FILE]) | dict(os.environ)
    return subprocess.Popen(
        order,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment,
        start_new_session=True,  # an interrupt at the keyboard is for the caller alone, which ends this one
    )


def _send(stream: IO[bytes], content: bytes) -> None:
    stream.write(len(content).to_bytes(_SIZE_BYTES, "big"))
    stream.write(content)
    stream.flush()


def _receive(stream: IO[bytes]) -> bytes:
    """One message; empty where the other side is gone."""
    size = int.from_bytes(stream.read(_SIZE_BYTES), "big")
    content = stream.read(size)
    return content if len(content) == size else b""


def _notice() -> str:
    words = html.escape(NOT_DRAWN)
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="460" height="40" viewBox="0 0 460 40">'
        f'<text x="0" y="24" font-family="{FONT}" font-size="13">{words}</text></svg>'
    )
