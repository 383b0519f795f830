"""The errors of a reading library, turned into one refusal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from analysis.errors import CannotRun

_LONGEST_REASON = 200


@contextmanager
def refusing(label: str, kind: str) -> Iterator[None]:
    """Refuse a file that its library cannot read, even where the library gives up in a panic."""
    try:
        yield
    except (CannotRun, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as problem:
        raise CannotRun(
            label,
            f"damaged, or no {kind} ({first_line(problem)})",
            f"a whole {kind}",
            "export it again, or check that its ending says what it is",
        ) from None


def first_line(problem: BaseException) -> str:
    """What a library said, in one short line."""
    lines = str(problem).strip().splitlines() or [type(problem).__name__]
    return lines[0][:_LONGEST_REASON]
