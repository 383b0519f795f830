"""The bytes of a file as they stood at one moment, taken without ever waiting at a pipe or a device."""

from __future__ import annotations

import hashlib
import os
import stat
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from analysis.errors import UserError
from analysis.intake.readers import limits

_CHUNK = 1 << 22
_KINDS = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISDIR, "a folder"),
)


@dataclass(frozen=True)
class Snapshot:
    """A file's bytes, and the name it goes by in what the run writes."""

    label: str
    data: bytes
    digest: str | Future[str]

    @property
    def sha256(self) -> str:
        """Of the bytes; reckoned by a thread while they are read already."""
        return self.digest if isinstance(self.digest, str) else self.digest.result()


def printable_path(path: str | os.PathLike[str]) -> str:
    """A path as text that can always be written: a byte that is no UTF-8 shows as a question mark in a diamond."""
    return os.fsencode(path).decode("utf-8", "replace")


def status(path: Path) -> os.stat_result:
    """What the file system says of a path.

    Raises
    ------
    UserError
        Nothing is there, it may not be looked at, or its links go round in a loop.
    """
    try:
        return path.stat()
    except (OSError, ValueError) as problem:
        raise unreadable(printable_path(path), problem) from None


def snapshot(path: Path, label: str) -> Snapshot:
    """The bytes of a regular file with their sha256.

    Raises
    ------
    UserError
        It is no regular file, may not be read, is larger than the limit, or changed while it was read.
    """
    refuse_special(label, status(path))
    try:
        with _opened(path, label) as descriptor:
            before = os.fstat(descriptor)
            refuse_special(label, before)
            if before.st_size > limits.FILE_BYTES:
                raise UserError(
                    label, f"{before.st_size:,} bytes", f"at most {limits.FILE_BYTES:,}", "export fewer rows"
                )
            data = _contents(descriptor, before.st_size)
            after = os.fstat(descriptor)
    except (OSError, ValueError) as problem:
        raise unreadable(label, problem) from None
    if (
        _file_state(before) != _file_state(after)
        or len(data) > limits.FILE_BYTES
        or before.st_size not in (0, len(data))
    ):
        raise changed(label)
    return Snapshot(label, data, _hashing().submit(_sha256, data))


def refuse_special(label: str, status: os.stat_result) -> None:
    """Refuse everything that is no regular file."""
    if stat.S_ISREG(status.st_mode):
        return
    kind = next((name for test, name in _KINDS if test(status.st_mode)), "no regular file")
    raise UserError(label, f"this is {kind}", "a file with rows in it", "save the export as a file and name that")


def changed(label: str) -> UserError:
    """The refusal of a file that was written to while it was read."""
    return UserError(
        label,
        "the file changed while it was read",
        "a file at rest",
        "wait until the export is written, then run again",
    )


def unreadable(label: str, problem: Exception) -> UserError:
    """The refusal of a file that the operating system does not let us read."""
    why = problem.strerror if isinstance(problem, OSError) and problem.strerror else str(problem)
    return UserError(label, f"cannot be read ({why})", "a file that may be read", "check the name and the permissions")


class _opened:
    """A descriptor opened so that a pipe put in the file's place cannot make us wait."""

    def __init__(self, path: Path, label: str) -> None:
        self._path, self._label = path, label

    def __enter__(self) -> int:
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        self._descriptor = os.open(self._path, flags)
        return self._descriptor

    def __exit__(self, *_: object) -> None:
        os.close(self._descriptor)


def _contents(descriptor: int, size: int) -> bytes:
    """The bytes; once there are more than the file's size, if it has one, it is being written to, and no more are read."""
    chunks, length, most = [], 0, size or limits.FILE_BYTES
    while length <= most and (chunk := os.read(descriptor, max(size - length, _CHUNK))):
        chunks.append(chunk)
        length += len(chunk)
    return b"".join(chunks)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@cache
def _hashing() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(1, "sha256")


def _file_state(status: os.stat_result) -> tuple[int, int]:
    return status.st_size, status.st_mtime_ns
