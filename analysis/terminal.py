"""What passes between the command and its terminal: streams that may be closed or narrow, text that may do harm there,
and what the machine refuses, as one message."""

from __future__ import annotations

import codecs
import ctypes
import errno
import os
import sys
import unicodedata
from typing import Any

from analysis.errors import UserError

LONGEST_LINE, MAX_LINES = 1000, 12
PLAIN = {"–": "-", "—": "-", "‑": "-", "−": "-", "…": "...", "’": "'", "≥": ">=", "≤": "<=", "±": "+/-", "·": "."}
M_ARENA_MAX = -8
"""<malloc.h> of glibc."""
SHOWN_CONTROLS = "\n\t"
PLACES = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EFBIG)
FILES = (errno.EMFILE, errno.ENFILE)
REFUSED = (errno.EACCES, errno.EPERM)
MEMORY_WORDS = ("cannot allocate memory", "memory allocation", "out of memory", "unable to allocate")
THREAD_WORDS = ("can't start new thread", "can't start new process", "threadpoolbuilderror", "resource temporarily")


class ClosedOutput(Exception):
    """Nobody reads what is printed any more."""


def ready_streams() -> None:
    """Open what the caller closed, and print what the terminal's encoding lacks in plain signs."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest free number, so that no file of ours becomes a standard stream
    sys.stdin = sys.stdin or open(0, closefd=False)  # noqa: SIM115
    sys.stdout = sys.stdout or open(1, "w", closefd=False)  # noqa: SIM115
    sys.stderr = sys.stderr or open(2, "w", closefd=False)  # noqa: SIM115
    codecs.register_error("plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="plain")


def fit_limits() -> None:
    """Reserve little address space where it is limited: else each thread reserves 64 MB and more that it never uses."""
    try:
        import resource

        if resource.getrlimit(resource.RLIMIT_AS)[0] != resource.RLIM_INFINITY:
            ctypes.CDLL(None).mallopt(M_ARENA_MAX, 1)
    except (ImportError, OSError, AttributeError, TypeError):  # no such limit, or no such allocator
        pass


def _plain(problem: UnicodeError) -> tuple[str, int]:
    if not isinstance(problem, UnicodeEncodeError):
        raise problem
    signs = problem.object[problem.start : problem.end]
    return "".join(PLAIN.get(sign) or _escaped(sign) for sign in signs), problem.end


def harmless(text: str) -> str:
    """The text without anything that a terminal would obey: control and direction signs are written out."""
    return "".join(
        sign if sign.isprintable() or sign in SHOWN_CONTROLS or _is_blank(sign) else _escaped(sign) for sign in text
    )


def _is_blank(sign: str) -> bool:
    return unicodedata.category(sign) == "Zs"


def _escaped(sign: str) -> str:
    return sign.encode("ascii", "backslashreplace").decode() if ord(sign) > 126 else f"\\x{ord(sign):02x}"


def show(text: str) -> None:
    """Print what was found.

    Raises
    ------
    ClosedOutput
        Nobody reads it.
    UserError
        It cannot be printed: the disk of the file it goes to is full.
    """
    try:
        sys.stdout.write(harmless(text) + "\n")
        sys.stdout.flush()
    except BrokenPipeError as problem:
        raise ClosedOutput from problem
    except OSError as problem:
        raise UserError(
            "standard output", f"cannot be written: {problem.strerror}", "a terminal, a pipe or a file with room"
        ) from problem


def show_refusal(problem: UserError) -> None:
    """The message on standard error, as far as there is one."""
    lines = str(problem).splitlines()[:MAX_LINES]
    _complain("rebleed cannot go on: " + "\n".join(line[:LONGEST_LINE] for line in lines))


def show_interrupt() -> None:
    _complain("rebleed: stopped; nothing half-written was left")


def _complain(text: str) -> None:
    try:
        sys.stderr.write(harmless(text) + "\n")
        sys.stderr.flush()
    except OSError:
        pass


def leave_output() -> None:
    """Let what is still to be printed go nowhere, so that the end of the process is quiet."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    except (OSError, ValueError, AttributeError):
        pass


def machine_refusal(problem: BaseException) -> UserError | None:
    """What the machine refused, in one message; None where it was not the machine."""
    message = " ".join(str(problem).split())[:200]
    small = message.casefold()
    number = getattr(problem, "errno", None) if isinstance(problem, OSError) else None
    if isinstance(problem, MemoryError) or number == errno.ENOMEM or any(word in small for word in MEMORY_WORDS):
        return UserError("this machine", "has too little memory for this log", "more free memory", _LESS)
    if number == errno.EAGAIN or any(word in small for word in THREAD_WORDS):
        return UserError("this machine", "starts no more threads or processes", "a higher limit", _LESS)
    if type(problem).__name__ in ("BrokenProcessPool", "BrokenExecutor", "TerminatedWorkerError"):
        return UserError("this machine", "ended a process of this run", "memory for two processes", _LESS)
    if isinstance(problem, OSError) and number is not None:
        return _refused_file(problem, number)
    return None


_LESS = "close other programs, give the container more, or audit fewer bleeds at once"


def _refused_file(problem: OSError, number: int) -> UserError | None:
    names: tuple[Any, ...] = (problem.filename, problem.filename2)
    where = next((os.fsdecode(name) for name in names if isinstance(name, str | bytes)), "a file")
    reason = problem.strerror or os.strerror(number)
    if number in PLACES:
        return UserError(where, f"cannot be written: {reason}", "a disk with room", "free some, or name another --out")
    if number in FILES:
        return UserError("this machine", f"opens no more files: {reason}", "a higher limit", "raise it: ulimit -n 1024")
    if number in REFUSED:
        return UserError(where, f"may not be used: {reason}", "leave to read and write it", "ask its owner")
    return None
