"""Options that several commands share, and printing: narrow or closed streams, control characters, errors as messages."""

from __future__ import annotations

import codecs
import ctypes
import datetime as dt
import errno
import os
import signal
import sys
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import gettempdir
from typing import Annotated, Any

import typer

from analysis.audit_options import ShopDay
from analysis.days import parse_day
from analysis.errors import UserError

ExportPaths = Annotated[list[str], typer.Argument(metavar="EXPORT", help="Files, folders or databases (URL#table).")]
OutFolder = Annotated[
    Path,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Folder to write; a folder from an earlier run is replaced unless its files were edited.",
    ),
]
MapFile = Annotated[
    Path | None, typer.Option("--map", metavar="FILE", help="Map of your own headings and values (TOML).")
]
StandardFile = Annotated[
    Path | None, typer.Option("--standard", metavar="FILE", help="The workshop's own procedure (TOML).")
]
StandardFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--standard",
        metavar="FILE",
        help="The workshop's own procedure (TOML); may be repeated for versions, each with its adopted_on and shops.",
    ),
]
AsOfDay = Annotated[str | None, typer.Option("--as-of", metavar="DATE", help="Last day the exports cover.")]
ReturnsFrom = Annotated[
    list[str] | None,
    typer.Option(
        metavar="[SHOP=]DATE",
        help="First day returns were recorded; repeat it for each workshop that has a different date.",
    ),
]
ReturnsTo = Annotated[
    list[str] | None,
    typer.Option(
        metavar="[SHOP=]DATE",
        help="Last day returns were recorded; repeat it for each workshop that has a different date.",
    ),
]
Groups = Annotated[
    list[str] | None,
    typer.Option(
        "--group",
        metavar="COLUMN",
        help="Also compare bleeds by this column, as is done for fluid lots and kits; may be repeated.",
    ),
]
Cluster = Annotated[str | None, typer.Option(metavar="ADDRESS", help="Address of a running Dask scheduler.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with status 1 if any row was rejected.")]

HideNames = Annotated[
    bool,
    typer.Option("--hide-names", help="Replace names with codes; the key is saved next to the folder."),
]
LONGEST_LINE, MAX_LINES = 1000, 12
REPLACEMENTS = {
    "–": "-",
    "—": "-",
    "‑": "-",
    "−": "-",
    "…": "...",
    "’": "'",
    "≥": ">=",
    "≤": "<=",
    "±": "+/-",
    "·": ".",
}
M_ARENA_MAX = -8
"""<malloc.h> of glibc."""
ALLOWED_CONTROLS = "\n\t"
STORAGE_ERRORS = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EFBIG)
OPEN_FILE_ERRORS = (errno.EMFILE, errno.ENFILE)
PERMISSION_ERRORS = (errno.EACCES, errno.EPERM)
MEMORY_PHRASES = ("cannot allocate memory", "memory allocation", "out of memory", "unable to allocate")
THREAD_PHRASES = ("can't start new thread", "can't start new process", "threadpoolbuilderror", "resource temporarily")
_FREE_MEMORY = "close other programs, allow the container more, or audit fewer bleeds at once"


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """Show the current stage and the time taken on a terminal's standard error; cleared at the end."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as display:
        task = display.add_task("starting", total=None)
        yield lambda stage: display.update(task, description=stage)


def path_text(path: Path | None) -> str | None:
    """The path as text; None stays None."""
    return None if path is None else str(path)


def parse_shop_days(texts: list[str] | None, option: str) -> tuple[ShopDay, ...]:
    """Parse `DATE` (all workshops) and `SHOP=DATE` (one workshop).

    Raises
    ------
    UserError
        One of them is not a date.
    """
    days: list[ShopDay] = []
    for text in texts or []:
        shop, equals, day = text.rpartition("=")
        days.append((shop if equals else None, parse_day(day, option) or dt.date.min))
    return tuple(days)


class ClosedOutput(Exception):
    """The reader of standard output has gone."""


def open_streams() -> None:
    """Open standard streams that the caller closed, and replace characters that the terminal cannot encode."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number: no later file becomes a standard stream
    sys.stdin = sys.stdin or open(0, closefd=False)  # noqa: SIM115
    sys.stdout = sys.stdout or open(1, "w", closefd=False)  # noqa: SIM115
    sys.stderr = sys.stderr or open(2, "w", closefd=False)  # noqa: SIM115
    codecs.register_error("plain", _replace_unencodable)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="plain")


def limit_memory_arenas() -> None:
    """Limit glibc to one memory arena under `ulimit -v`, because each thread would otherwise reserve 64 MB."""
    try:
        import resource

        if resource.getrlimit(resource.RLIMIT_AS)[0] != resource.RLIM_INFINITY:
            ctypes.CDLL(None).mallopt(M_ARENA_MAX, 1)
    except (ImportError, OSError, AttributeError, TypeError):  # another system or another allocator
        pass


def _replace_unencodable(problem: UnicodeError) -> tuple[str, int]:
    if not isinstance(problem, UnicodeEncodeError):
        raise problem
    characters = problem.object[problem.start : problem.end]
    return "".join(REPLACEMENTS.get(character) or _escape_character(character) for character in characters), problem.end


def escape_controls(text: str) -> str:
    """The text with control and direction characters escaped, so that a terminal does not obey them."""
    return "".join(
        character
        if character.isprintable() or character in ALLOWED_CONTROLS or _is_space(character)
        else _escape_character(character)
        for character in text
    )


def _is_space(character: str) -> bool:
    return unicodedata.category(character) == "Zs"


def _escape_character(character: str) -> str:
    if ord(character) > 126:
        return character.encode("ascii", "backslashreplace").decode()
    return f"\\x{ord(character):02x}"


def show(text: str) -> None:
    """Print text to standard output.

    Raises
    ------
    ClosedOutput
        The reader has gone.
    UserError
        It cannot be written, for example because the disk is full.
    """
    try:
        sys.stdout.write(escape_controls(text) + "\n")
        sys.stdout.flush()
    except BrokenPipeError as problem:
        raise ClosedOutput from problem
    except OSError as problem:
        raise UserError(
            "standard output",
            f"cannot be written: {problem.strerror}",
            "a terminal, a pipe or a file on a disk with free space",
        ) from problem


def show_error(problem: UserError) -> None:
    """Print the error to standard error, if that is open."""
    lines = str(problem).splitlines()[:MAX_LINES]
    _print_error("rebleed stopped: " + "\n".join(line[:LONGEST_LINE] for line in lines))


def show_interrupt(end: BaseException) -> None:
    """Say that the run was interrupted, and what it keeps: the notes of the exception."""
    _print_error("\n".join(["rebleed interrupted: no incomplete files were left", *getattr(end, "__notes__", ())]))


def _print_error(text: str) -> None:
    try:
        sys.stderr.write(escape_controls(text) + "\n")
        sys.stderr.flush()
    except OSError:
        pass


def discard_output() -> None:
    """Discard output that is still buffered, so that the process ends without an error."""
    try:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)
    except (OSError, ValueError, AttributeError):
        pass


def machine_error(problem: BaseException) -> UserError | None:
    """An error of the machine as one message; None for any other error."""
    message = " ".join(str(problem).split())[:200]
    lowercase = message.casefold()
    number = getattr(problem, "errno", None) if isinstance(problem, OSError) else None
    if (
        isinstance(problem, MemoryError)
        or number == errno.ENOMEM
        or any(phrase in lowercase for phrase in MEMORY_PHRASES)
    ):
        return UserError("this machine", "has too little memory for this log", "more free memory", _FREE_MEMORY)
    if number == errno.EAGAIN or any(phrase in lowercase for phrase in THREAD_PHRASES):
        return UserError("this machine", "cannot start more threads or processes", "a higher limit", _FREE_MEMORY)
    if type(problem).__name__ in ("BrokenProcessPool", "BrokenExecutor", "TerminatedWorkerError"):
        return UserError(
            "this machine",
            "ended a process of this run, perhaps for lack of memory",
            "enough memory for two processes",
            _FREE_MEMORY,
        )
    if isinstance(problem, OSError) and number is not None:
        return _file_error(problem, number)
    return None


def _file_error(problem: OSError, number: int) -> UserError | None:
    names: tuple[Any, ...] = (problem.filename, problem.filename2)
    where = next(
        (os.fsdecode(name) for name in names if isinstance(name, str | bytes)), f"a file in {gettempdir()} or in --out"
    )
    reason = problem.strerror or os.strerror(number)
    if number in STORAGE_ERRORS:
        return UserError(
            where, f"cannot be written: {reason}", "a disk with free space", "free some space or choose another --out"
        )
    if number in OPEN_FILE_ERRORS:
        return UserError(
            "this machine", f"cannot open more files: {reason}", "a higher limit", "raise it: ulimit -n 1024"
        )
    if number in PERMISSION_ERRORS:
        return UserError(where, f"cannot be used: {reason}", "permission to read and write it", "ask its owner")
    return None


class SignalReceived(SystemExit):
    """A signal ended the run; the exception lets open files and folders be cleaned up."""


@contextmanager
def stop_on_signals() -> Iterator[None]:
    """Turn signals into an exception; a signal that the caller ignores, as nohup does, stays ignored.

    A library in which it arrives may raise an error of its own instead, which then counts as the signal.
    """
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    defaults = (signal.SIG_DFL, signal.default_int_handler)
    before = {number: handler for number in numbers if (handler := signal.getsignal(number)) in defaults}

    received: list[int] = []

    def stop(number: int, _: object) -> None:
        received.append(number)
        raise SignalReceived(128 + number)

    for number in before:
        signal.signal(number, stop)
    try:
        yield
    except BaseException as error:
        if received and not isinstance(error, SignalReceived):
            raise SignalReceived(128 + received[0]) from error
        raise
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
