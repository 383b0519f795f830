"""One run at a time in one place: a lock held by an open file, which a killed run lets go of by itself."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from analysis.errors import UserError
from analysis.output.manifest import LOCK_SUFFIX

FLAGS = os.O_CREAT | os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


@contextmanager
def run_lock(target: Path) -> Iterator[None]:
    """Hold the lock of a folder or file that is to be written; its own folder exists.

    Raises
    ------
    UserError
        Another run holds it; something else has the lock's name.
    OSError
        The lock cannot be made.
    """
    path = target.with_name(f".{target.name}{LOCK_SUFFIX}")
    handle = _locked(path, target)
    try:
        yield
    finally:
        _release(path, handle)


def _locked(path: Path, target: Path) -> int:
    """An open and locked file that still has its name: the run before removes the file when it ends."""
    while True:
        handle = _open(path)
        try:
            if not _lock(handle):
                raise UserError(
                    str(target), "another run is writing to it", "one run at a time", "wait, or name another --out"
                )
            if _has_its_name(path, handle):
                return handle
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _open(path: Path) -> int:
    try:
        handle = os.open(path, FLAGS, 0o600)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.EISDIR, errno.ENXIO) or path.is_symlink():
            raise _in_the_way(path) from error
        raise
    status = os.fstat(handle)
    if not stat.S_ISREG(status.st_mode) or status.st_size:
        os.close(handle)
        raise _in_the_way(path)
    return handle


def _in_the_way(path: Path) -> UserError:
    return UserError(str(path), "is in the way: a run needs this name for its lock", "nothing there", "move it away")


def _lock(handle: int) -> bool:
    """Lock an open file without waiting; False where somebody else holds it."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _has_its_name(path: Path, handle: int) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.lstat())
    except FileNotFoundError:
        return False


def _release(path: Path, handle: int) -> None:
    """Remove the file while it is locked; Windows removes no open file, and then only one that nobody has open."""
    with suppress(OSError):
        path.unlink()
    os.close(handle)
    if os.name == "nt":
        with suppress(OSError):
            path.unlink()
