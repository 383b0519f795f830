"""What goes from one process of ours to another: tables as Arrow, long arrays as they lie, no long table twice.

As polars pickles a table it takes three times as long and arrives in chunks, whose sums end in other digits; packed
here it lies there as it lay here.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Callable, Sequence
from itertools import count
from typing import IO, TYPE_CHECKING, Any
from weakref import ref

if TYPE_CHECKING:
    import polars as pl

Part = bytes | bytearray | memoryview
KEPT_FROM_BYTES = 1_000_000
"""Smaller tables are sent as often as they are meant."""

LENGTH_BYTES = 8
GONE = -1

_kept: dict[int, pl.DataFrame] = {}
"""Long tables that the other side may mean again, by their numbers."""


class Handed:
    """The long tables that the other side has been handed, while they are still here."""

    def __init__(self) -> None:
        self.numbers: dict[int, tuple[ref[pl.DataFrame], int]] = {}
        self.fresh = count()

    def number(self, table: pl.DataFrame) -> int | None:
        """By which the other side knows the table; None where it has not got it."""
        known = self.numbers.get(id(table))
        return known[1] if known is not None and known[0]() is table else None

    def let_go(self) -> list[int]:
        """Numbers of tables that are no longer here, which nobody will mean again."""
        gone = {place: number for place, (table, number) in self.numbers.items() if table() is None}
        for place in gone:
            del self.numbers[place]
        return list(gone.values())


def packed(thing: object, handed: Handed | None = None) -> list[Part]:
    """A thing in parts, for `unpacked` on the other side.

    Parameters
    ----------
    thing
        Anything that can be pickled.
    handed
        What the other side has; what the parts bring belongs to it from now on. Without it nothing is kept there.
    """
    text, beside = io.BytesIO(), list[pickle.PickleBuffer]()
    packing = _Packing(text, beside.append, handed)
    packing.dump(([] if handed is None else handed.let_go(), thing))
    if handed is not None:
        handed.numbers |= packing.new
    return [text.getbuffer(), *(buffer.raw() for buffer in beside)]


def unpacked(parts: Sequence[Part]) -> Any:
    """What was packed; arrays lie in these parts, and may be written to where the parts may."""
    let_go, thing = _Unpacking(io.BytesIO(parts[0]), buffers=parts[1:]).load()
    for number in let_go:
        _kept.pop(number, None)
    return thing


class _Packing(pickle.Pickler):
    def __init__(self, text: IO[bytes], beside: Callable[[pickle.PickleBuffer], Any], handed: Handed | None) -> None:
        super().__init__(text, pickle.HIGHEST_PROTOCOL, buffer_callback=beside)
        self._handed = handed
        self.new: dict[int, tuple[ref[pl.DataFrame], int]] = {}

    def persistent_id(self, thing: Any) -> int | None:
        return self._handed.number(thing) if self._handed is not None and _is_table(thing) else None

    def reducer_override(self, thing: Any) -> Any:
        if not _is_table(thing) or thing.width == 0:  # Arrow would not tell how many rows that has
            return NotImplemented
        arrow, number = io.BytesIO(), None
        thing.write_ipc(arrow, compression="uncompressed", record_batch_size=max(thing.height, 1))
        if self._handed is not None and len(arrow.getbuffer()) >= KEPT_FROM_BYTES:
            number = next(self._handed.fresh)
            self.new[id(thing)] = ref(thing), number
        return _table, (pickle.PickleBuffer(arrow.getbuffer()), number)


class _Unpacking(pickle.Unpickler):
    def persistent_load(self, number: Any) -> pl.DataFrame:
        return _kept[number]


def _is_table(thing: object) -> bool:
    import polars as pl  # here, since a process is to be started before anything heavy is imported

    return type(thing) is pl.DataFrame


def _table(arrow: Part, number: int | None) -> pl.DataFrame:
    import polars as pl

    table = pl.read_ipc(bytes(arrow))
    if number is not None:
        _kept[number] = table
    return table


def send(pipe: IO[bytes] | None, parts: list[Part]) -> None:
    """How many parts, the bytes of each, the parts."""
    if pipe is None:
        raise BrokenPipeError
    for length in (len(parts), *map(len, parts)):
        pipe.write(length.to_bytes(LENGTH_BYTES, "big"))
    for part in parts:
        pipe.write(part)
    pipe.flush()


def received(pipe: IO[bytes] | None) -> list[Part]:
    """What was sent whole; nothing where the other side is gone."""
    lengths = [_length(pipe) for _ in range(_length(pipe))]
    if pipe is None or GONE in lengths:
        return []
    parts: list[Part] = [bytearray(length) for length in lengths]
    whole = all(pipe.readinto(part) == len(part) for part in parts)  # type: ignore[attr-defined]
    return parts if whole else []


def _length(pipe: IO[bytes] | None) -> int:
    head = b"" if pipe is None else pipe.read(LENGTH_BYTES)
    return int.from_bytes(head, "big") if len(head) == LENGTH_BYTES else GONE
