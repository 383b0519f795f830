"""Rows worked through chunk by chunk, by a few threads where they are many; what comes of them in the chunks' order.

Sums over chunks are taken in that order, so that no figure depends on how many threads there are. Within a chunk the
matrix library is to have one thread (`threadpool_limits`).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from threading import local
from typing import TypeVar

CHUNK = 8_192
BLOCK = 8 * CHUNK
"""Rows summed by place in their own precision before the sum goes on in double, which chunk by chunk takes half as long again."""
FEW = 4
"""Up to so many chunks are not worth a second thread."""
MOST_THREADS = 8

_own = local()
"""Each thread's own: `shared_out` in one that works on a part already, which must not wait for its like."""

Part = TypeVar("Part")
Told = TypeVar("Told")


def parts_of(rows: int) -> Iterator[slice]:
    """So many rows as slices that follow one another."""
    for start in range(0, rows, CHUNK):
        yield slice(start, min(start + CHUNK, rows))


def blocks_of(rows: int) -> Iterator[slice]:
    """The same, of eight chunks each as long as there are so many, then of one."""
    whole = rows - rows % BLOCK
    for start in range(0, whole, BLOCK):
        yield slice(start, start + BLOCK)
    for part in parts_of(rows - whole):
        yield slice(whole + part.start, whole + part.stop)


def of_parts(told: Callable[[slice], Told], rows: int) -> Iterator[Told]:
    """What `told` says of each chunk of so many rows, in their order."""
    parts = list(parts_of(rows))
    return map(told, parts) if len(parts) <= FEW else in_turn(told, parts)


def in_turn(told: Callable[[Part], Told], parts: Sequence[Part]) -> Iterator[Told]:
    """What `told` says of each part, in their order, by a few threads; by one where `told` has parts of its own told so."""
    if len(parts) <= 1 or threads() == 1 or getattr(_own, "shared_out", False):
        return map(told, parts)
    return _pool().map(told, parts)


@cache
def threads() -> int:
    """As many as the process may use, OMP_NUM_THREADS where that says fewer, at most 8."""
    import joblib

    asked = os.environ.get("OMP_NUM_THREADS", "")
    return min(joblib.cpu_count(), int(asked) if asked.isdigit() and int(asked) else MOST_THREADS, MOST_THREADS)


@cache
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads(), "chunks", initializer=setattr, initargs=(_own, "shared_out", True))
