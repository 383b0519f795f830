"""Answers to come, from whoever is free to give them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Asked(Generic[T]):
    """An answer to come: called, it is there."""

    def __init__(self, here: Callable[[], T], free: Callable[[], bool], waited: Callable[[], T]) -> None:
        """`here` gives it here and now; `free` tells, once, whether nobody has begun it, and keeps others off it; `waited`
        waits for who has."""
        self._here, self._free, self._waited = here, free, waited
        self._told: list[T] = []

    def begin(self) -> None:
        """Give it here and now if nobody has begun it."""
        if not self._told and self._free():
            self._told.append(self._here())

    def __call__(self) -> T:
        self.begin()
        if not self._told:
            self._told.append(self._waited())
        return self._told[0]
