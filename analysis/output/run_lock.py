"""A lock so that one run at a time writes a folder; the system releases it if the run is killed."""

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
    """Hold the lock of a folder or file that is to be written; its parent folder exists.

    Raises
    ------
    UserError
        Another run holds it, or another file has the name of the lock.
    OSError
        The lock cannot be created.
    """
    path = target.with_name(f".{target.name}{LOCK_SUFFIX}")
    handle = _acquire_lock(path, target)
    try:
        yield
    finally:
        _release_lock(path, handle)


def _acquire_lock(path: Path, target: Path) -> int:
    """Open and lock the file; retry if the previous run removed it in between."""
    while True:
        handle = _open_lock_file(path)
        try:
            if not _try_lock(handle):
                raise UserError(
                    str(target), "another run is writing to it", "one run at a time", "wait, or choose another --out"
                )
            if _is_still_at(path, handle):
                return handle
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _open_lock_file(path: Path) -> int:
    try:
        handle = os.open(path, FLAGS, 0o600)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.EISDIR, errno.ENXIO) or path.is_symlink():
            raise _blocked_name_error(path) from error
        raise
    status = os.fstat(handle)
    if not stat.S_ISREG(status.st_mode) or status.st_size:
        os.close(handle)
        raise _blocked_name_error(path)
    return handle


def _blocked_name_error(path: Path) -> UserError:
    return UserError(str(path), "is in the way: a run needs this name for its lock", "no file of this name", "move it")


def _try_lock(handle: int) -> bool:
    """Lock an open file without waiting; False if another process holds it."""
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


def _is_still_at(path: Path, handle: int) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.lstat())
    except FileNotFoundError:
        return False


def _release_lock(path: Path, handle: int) -> None:
    """Remove the file while it is locked; Windows can remove it only after it is closed."""
    with suppress(OSError):
        path.unlink()
    os.close(handle)
    if os.name == "nt":
        with suppress(OSError):
            path.unlink()
