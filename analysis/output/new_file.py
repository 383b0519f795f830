"""Write one text file completely or not at all, and hold the lock of a folder so that one run at a time writes it."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from analysis.errors import UserError
from analysis.output.manifest import LOCK_SUFFIX


def cannot_write_error(path: Path, error: Exception) -> UserError:
    """The error for a file or folder that the operating system cannot write."""
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    expected = "free space and permission to write"
    return UserError(str(path), f"cannot be written: {reason}", expected, "choose another --out")


def refuse_existing(path: Path) -> None:
    """Stop before the work starts if the file could not be written at the end.

    Raises
    ------
    UserError
        The path exists, or its folder cannot be written.
    """
    if os.path.lexists(path):
        raise UserError(
            str(path),
            "is a folder" if path.is_dir() else "already exists",
            "the name of a new file; existing files are never overwritten",
            "choose another --out, or move the old file",
        )
    nearest = next(parent for parent in path.absolute().parents if parent.exists())
    if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
        raise UserError(
            str(path),
            f"cannot be written: {nearest} is {'not a folder' if not nearest.is_dir() else 'write-protected'}",
            "a folder that you can write to",
            "choose another --out",
        )


def write_new_file(path: Path, text: str) -> None:
    """Write a new text file (UTF-8) and create its folder.

    Raises
    ------
    UserError
        It exists or cannot be written; no part of it is left.
    """
    refuse_existing(path)
    draft, created = path.with_name(f".{path.name}.{os.getpid()}.writing"), False
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with draft.open("x", encoding="utf-8") as file:
            created = True
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        _rename_draft(draft, path)
    except OSError as error:
        raise cannot_write_error(path, error) from error
    finally:
        if created:
            draft.unlink(missing_ok=True)


def _rename_draft(draft: Path, path: Path) -> None:
    """Give the draft its name unless the name was taken meanwhile; without hard links, check and rename."""
    try:
        os.link(draft, path)
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError:
        refuse_existing(path)
        draft.replace(path)


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
