"""The errors of a reading library, turned into one refusal."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from threading import RLock
from typing import IO

from analysis.errors import UserError

_LONGEST_REASON = 200
_STANDARD_ERROR = 2
_ONE_AT_A_TIME = RLock()
"""Standard error is the whole process's: two threads that put it aside together would put back each other's."""


@contextmanager
def refusing(label: str, kind: str) -> Iterator[None]:
    """Refuse a file that its library cannot read, even where the library gives up in a panic, and without its traces."""
    try:
        with _ONE_AT_A_TIME, _traces_held_back():
            yield
    except (UserError, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as problem:
        raise UserError(
            label,
            f"damaged, or no {kind} ({first_line(problem)})",
            f"a whole {kind}",
            "export it again, or check that its ending says what it is",
        ) from None


def first_line(problem: BaseException) -> str:
    """What a library said, in one short line."""
    lines = str(problem).strip().splitlines() or [type(problem).__name__]
    return lines[0][:_LONGEST_REASON]


@contextmanager
def _traces_held_back() -> Iterator[None]:
    """What is written to standard error meanwhile, below Python too: dropped if it ends in an error, else passed on."""
    with suppress(OSError, ValueError):
        sys.stderr.flush()
    try:
        own = os.dup(_STANDARD_ERROR)
    except OSError:  # there is no standard error
        yield
        return
    with _stderr_buffer() as buffer:
        os.dup2(buffer.fileno(), _STANDARD_ERROR)
        try:
            yield
        finally:
            with suppress(OSError, ValueError):
                sys.stderr.flush()
            os.dup2(own, _STANDARD_ERROR)
            os.close(own)
        buffer.seek(0)
        with suppress(OSError):
            os.write(_STANDARD_ERROR, buffer.read())


def _stderr_buffer() -> IO[bytes]:
    """A file without a name; where no folder for temporary files can be written to, one in memory, or none at all."""
    try:
        return tempfile.TemporaryFile()
    except OSError:
        if hasattr(os, "memfd_create"):
            return os.fdopen(os.memfd_create("standard error"), "w+b")
        return open(os.devnull, "w+b")
