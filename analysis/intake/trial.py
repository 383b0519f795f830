"""Files whose library may end the process that reads them: another process reads them first.

Damaged lengths in a Parquet file can make its library ask for more memory than any machine has, upon which the operating
system's own rules end the process, and no error can be caught.
"""

from __future__ import annotations

from contextlib import ExitStack, suppress
from io import BytesIO

import polars as pl

from analysis.errors import CannotRun
from analysis.hands import HandsBeside, hand_at_risk
from analysis.intake.snapshot import Snapshot


class Trial(ExitStack):
    """The other process, begun with the first file that needs it and ended with this context."""

    _other: HandsBeside | None = None

    def refuse_deadly(self, file: Snapshot) -> None:
        """Refuse a Parquet file that ends its reader.

        Raises
        ------
        CannotRun
            The other process did not live through it.
        """
        if self._other is None:
            self._other = self.enter_context(hand_at_risk())
        if self._other is None or self._other.outlives(_tried, file.data):
            return
        raise CannotRun(
            file.label,
            "damaged, or too large for this machine's memory: a process that read it was ended",
            "a whole Parquet file that fits into memory",
            "export it again, or fewer rows at a time",
        )


def _tried(data: bytes) -> bool:
    """Column after column, none of them kept. Whatever is wrong but kills nobody is told by who reads it next."""
    with suppress(BaseException):
        for name in pl.read_parquet_schema(BytesIO(data)):
            pl.read_parquet(BytesIO(data), columns=[name], glob=False)
    return True
