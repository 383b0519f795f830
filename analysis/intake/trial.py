"""Files whose library may end the process that reads them: another process reads them first.

Damaged lengths in a Parquet file, or a far-away cell in a workbook, can make its library ask for more memory than the
machine has, upon which the operating system's own rules end the process, and no error can be caught.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from io import BytesIO
from pathlib import Path
from typing import Literal

import polars as pl

from analysis.errors import CannotRun
from analysis.hands import HandsBeside, hand_at_risk
from analysis.intake.snapshot import Snapshot

MOST_MEMORY = 3 * 2**30
"""Bytes that a workbook may take to read."""


class Trial(ExitStack):
    """The other process, begun with the first file that needs it and ended with this context."""

    _other: HandsBeside | None = None

    def refuse_deadly(self, file: Snapshot, kind: Literal["Parquet file", "workbook"]) -> None:
        """Refuse a file that ends its reader.

        Raises
        ------
        CannotRun
            The other process did not live through it.
        """
        if self._other is None:
            self._other = self.enter_context(hand_at_risk())
        if self._other is None or self._other.outlives(_TRIALS[kind], file.data):
            return
        raise CannotRun(
            file.label,
            "damaged, or too large for this machine's memory: a process that read it was ended",
            f"a whole {kind} that fits into memory",
            "export it again, or fewer rows at a time",
        )


def _tried_book(data: bytes) -> bool:
    """Sheet after sheet, none of them kept, in a memory that a workshop's log does not fill."""
    import fastexcel

    with _limited_memory(), suppress(BaseException):
        book = fastexcel.read_excel(data)
        for name in book.sheet_names:
            with suppress(fastexcel.FastExcelError):
                book.load_sheet(name, header_row=None, dtypes="string")
    return True


@contextmanager
def _limited_memory() -> Iterator[None]:
    """While it lasts, this process may take so much more memory than it has, where the system can see to that."""
    try:
        import resource

        held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    except (ImportError, OSError):
        yield
        return
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (held + MOST_MEMORY, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


def _tried_parquet(data: bytes) -> bool:
    """Column after column, none of them kept. Whatever is wrong but kills nobody is told by who reads it next."""
    with suppress(BaseException):
        for name in pl.read_parquet_schema(BytesIO(data)):
            pl.read_parquet(BytesIO(data), columns=[name], glob=False)
    return True


_TRIALS = {"Parquet file": _tried_parquet, "workbook": _tried_book}
