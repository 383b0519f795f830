"""Failures of the libraries that read files: exceptions, panics that print a trace, and crashes of the process."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from io import BytesIO
from pathlib import Path
from threading import RLock
from typing import IO, Literal

import polars as pl

from analysis.errors import UserError
from analysis.intake.readers.files import Snapshot
from analysis.parallel import BrokenProcessPool, WorkerExecutor

_MAX_WORKBOOK_MEMORY = 3 * 2**30
_MAX_REASON_CHARACTERS = 200
_STDERR = 2
_STDERR_LOCK = RLock()
"""The whole process shares standard error: only one thread at a time may redirect it."""


@contextmanager
def library_errors_as_user_errors(label: str, kind: str) -> Iterator[None]:
    """Turn any failure of a library, even a panic, into one UserError, and drop the trace that a panic prints."""
    try:
        with _STDERR_LOCK, _stderr_dropped_on_error():
            yield
    except (UserError, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as problem:  # a panic of a Rust library is not an Exception
        raise UserError(
            label,
            f"damaged, or not a {kind} ({first_line(problem)})",
            f"a complete {kind}",
            "export it again, or check that the file extension is right",
        ) from None


def first_line(problem: BaseException) -> str:
    """The first line of an error message, shortened; the error's type if the message is empty."""
    lines = str(problem).strip().splitlines() or [type(problem).__name__]
    return lines[0][:_MAX_REASON_CHARACTERS]


@contextmanager
def _stderr_dropped_on_error() -> Iterator[None]:
    """Hold back what is written to standard error, also by compiled libraries; write it afterwards unless an error is raised."""
    with suppress(OSError, ValueError):
        sys.stderr.flush()
    try:
        stderr_copy = os.dup(_STDERR)
    except OSError:  # there is no standard error
        yield
        return
    with _stderr_buffer() as buffer:
        os.dup2(buffer.fileno(), _STDERR)
        try:
            yield
        finally:
            with suppress(OSError, ValueError):
                sys.stderr.flush()
            os.dup2(stderr_copy, _STDERR)
            os.close(stderr_copy)
        buffer.seek(0)
        with suppress(OSError):
            os.write(_STDERR, buffer.read())


def _stderr_buffer() -> IO[bytes]:
    """A temporary file; one in memory, or the null device, if no temporary folder can be written to."""
    try:
        return tempfile.TemporaryFile()
    except OSError:
        if hasattr(os, "memfd_create"):
            return os.fdopen(os.memfd_create("standard error"), "w+b")
        return open(os.devnull, "w+b")


class CrashGuard(ExitStack):
    """Read files in a worker process first, because their library may crash the process that reads them.

    Damaged lengths in a Parquet file, or a distant cell in a workbook, can make the library ask for more memory than
    the machine has. The operating system then ends the process, and no error can be caught.
    The worker starts with the first file and ends with this context.
    """

    _executor: WorkerExecutor | None = None

    def reject_if_crashes(self, file: Snapshot, kind: Literal["Parquet file", "workbook"]) -> None:
        """Raise a UserError if reading the file ends the worker; accept the file if no worker can be started."""
        try:
            if self._executor is None:
                self._executor = self.enter_context(WorkerExecutor())
            self._executor.submit(_READERS[kind], file.data).result()
        except BrokenProcessPool as error:
            raise UserError(
                file.label,
                "damaged, or too large for this machine's memory: reading it crashed a process",
                f"a complete {kind} that fits into memory",
                "export it again, or fewer rows at a time",
            ) from error
        except (OSError, ImportError):  # no memory for a process, or no semaphores on this system
            return


def _try_reading_sheets(data: bytes) -> None:
    """Read every sheet of a workbook within a memory limit, and ignore errors that the real reader reports."""
    import fastexcel

    with _memory_limit(_MAX_WORKBOOK_MEMORY), suppress(BaseException):
        book = fastexcel.read_excel(data)
        for name in book.sheet_names:
            with suppress(fastexcel.FastExcelError):
                book.load_sheet(name, header_row=None, dtypes="string")


@contextmanager
def _memory_limit(more_bytes: int) -> Iterator[None]:
    """Limit the memory this process may take in addition, where the system can enforce it."""
    try:
        import resource

        bytes_in_use = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    except (ImportError, OSError):
        yield
        return
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (bytes_in_use + more_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


def _try_reading_columns(data: bytes) -> None:
    """Read every column of a Parquet file, and ignore errors that the real reader reports."""
    with suppress(BaseException):
        for name in pl.read_parquet_schema(BytesIO(data)):
            pl.read_parquet(BytesIO(data), columns=[name], glob=False)


_READERS = {"Parquet file": _try_reading_columns, "workbook": _try_reading_sheets}
