"""Read files whose library may end the process that reads them in a worker first.

Damaged lengths in a Parquet file, or a far-away cell in a workbook, can make its library ask for more memory than the
machine has, upon which the operating system ends the process, and no error can be caught.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from io import BytesIO
from pathlib import Path
from typing import Literal

import polars as pl

from analysis.errors import UserError
from analysis.intake.readers.snapshot import Snapshot
from analysis.parallel import BrokenProcessPool, WorkerExecutor

MAX_MEMORY = 3 * 2**30
"""Bytes that a workbook may take to read."""


class CrashGuard(ExitStack):
    """A worker that reads files first; started with the first file, ended with this context."""

    _executor: WorkerExecutor | None = None

    def reject_if_crashes(self, file: Snapshot, kind: Literal["Parquet file", "workbook"]) -> None:
        """Reject a file that ends its reader; where no worker can be started, let it pass.

        Raises
        ------
        UserError
            The worker that read the file was ended.
        """
        try:
            if self._executor is None:
                self._executor = self.enter_context(WorkerExecutor())
            self._executor.submit(_READERS[kind], file.data).result()
        except BrokenProcessPool as error:
            raise UserError(
                file.label,
                "damaged, or too large for this machine's memory: a process that read it was ended",
                f"a whole {kind} that fits into memory",
                "export it again, or fewer rows at a time",
            ) from error
        except (OSError, ImportError):  # no memory for a process; no semaphores on this system
            return


def _read_sheets(data: bytes) -> None:
    """Read sheet after sheet and keep none, in more memory than a workshop's log fills."""
    import fastexcel

    with _limited_memory(), suppress(BaseException):
        book = fastexcel.read_excel(data)
        for name in book.sheet_names:
            with suppress(fastexcel.FastExcelError):
                book.load_sheet(name, header_row=None, dtypes="string")


@contextmanager
def _limited_memory() -> Iterator[None]:
    """While it lasts, this process may take a limited amount of memory more, where the system can enforce that."""
    try:
        import resource

        in_use = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    except (ImportError, OSError):
        yield
        return
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (in_use + MAX_MEMORY, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


def _read_columns(data: bytes) -> None:
    """Read column after column and keep none. An error that can be caught is reported by the real reader."""
    with suppress(BaseException):
        for name in pl.read_parquet_schema(BytesIO(data)):
            pl.read_parquet(BytesIO(data), columns=[name], glob=False)


_READERS = {"Parquet file": _read_columns, "workbook": _read_sheets}
