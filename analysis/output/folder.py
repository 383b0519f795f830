"""A run's folder: written beside its place and moved there whole: the old run or the new one, never a mix."""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from analysis.errors import CannotRun

MANIFEST = "manifest.json"
MADE_BY = "rebleed"
LOCK = ".rebleed-lock"
AT_WORKING_FOLDER, EXCHANGE = -100, 2
"""Linux, <fcntl.h> and <linux/fs.h>: AT_FDCWD, RENAME_EXCHANGE."""


@contextmanager
def run_folder(out: str | Path) -> Iterator[Path]:
    """A new folder to write into; it takes the place of `out` once everything in it is written.

    Raises
    ------
    CannotRun
        `out` is a file, a link, or a folder that no earlier run wrote; its parent cannot be written; another run is
        writing to it; the disk is full.
    """
    target = Path(out).absolute()
    refuse_foreign(target)
    beside = target.with_name(f".{target.name}.writing")
    old = target.with_name(f".{target.name}.old")
    lock = target.with_name(f".{target.name}{LOCK}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle = _locked(lock, target)
    except OSError as error:
        raise _refused(target, error) from error
    try:
        _clear_away(target, beside, old)
        beside.mkdir()
        yield beside
        sync(beside)
        _move_in(beside, target, old)
    except OSError as error:
        if isinstance(error, ConnectionError | TimeoutError):
            raise
        raise _refused(target, error) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
        os.close(handle)
        lock.unlink(missing_ok=True)


def refuse_foreign(target: Path) -> None:
    """Stop before anything is read where the run could not be written at the end."""
    if target.is_symlink():
        raise CannotRun(str(target), "is a link", "a folder of its own", "name another --out")
    if target.exists() and not target.is_dir():
        raise CannotRun(str(target), "is a file", "a folder that is new or an earlier run's", "name another --out")
    if target.is_dir() and any(target.iterdir()) and not _is_ours(target):
        raise CannotRun(
            str(target),
            "holds files that no run of rebleed wrote",
            "a new folder or an earlier run's",
            "name another --out",
        )
    nearest = next((parent for parent in target.parents if parent.exists()), None)
    if nearest is not None and not nearest.is_dir():
        raise CannotRun(str(nearest), "is a file, so no folder can be made in it", "a folder", "name another --out")
    if nearest is not None and not os.access(nearest, os.W_OK | os.X_OK):
        raise _refused(target, PermissionError(errno.EACCES, os.strerror(errno.EACCES)))


def _is_ours(folder: Path) -> bool:
    try:
        return json.loads((folder / MANIFEST).read_text("utf-8")).get("made_by") == MADE_BY
    except (OSError, ValueError, AttributeError, RecursionError):
        return False


def _locked(lock: Path, target: Path) -> int:
    """Held by an open file: a run that was killed lets go of it by itself."""
    import fcntl

    handle = os.open(lock, os.O_CREAT | os.O_RDWR, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        os.close(handle)
        raise CannotRun(
            str(target), "another run is writing to it", "one run at a time", "wait, or name another --out"
        ) from error
    return handle


def _clear_away(target: Path, beside: Path, old: Path) -> None:
    """What a killed run left: its half is removed; a finished run whose move was cut short is put back."""
    shutil.rmtree(beside, ignore_errors=True)
    if old.exists():
        if target.exists():
            shutil.rmtree(old, ignore_errors=True)
        else:
            old.rename(target)


def _move_in(beside: Path, target: Path, old: Path) -> None:
    if target.exists():
        if _exchanged(beside, target):
            return
        target.rename(old)
    beside.rename(target)
    shutil.rmtree(old, ignore_errors=True)


def _exchanged(beside: Path, target: Path) -> bool:
    """Two folders change places in one step, where the system can: no moment without a finished run in its place."""
    try:
        exchange = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    return exchange(AT_WORKING_FOLDER, os.fsencode(beside), AT_WORKING_FOLDER, os.fsencode(target), EXCHANGE) == 0


def sync(folder: Path) -> None:
    """See every file below on the disk."""
    for path in folder.rglob("*"):
        if path.is_file():
            handle = os.open(path, os.O_RDONLY)
            os.fsync(handle)
            os.close(handle)


def _refused(target: Path, error: OSError) -> CannotRun:
    return CannotRun(
        str(target),
        f"cannot be written: {error.strerror or error}",
        "a folder with room and leave to write",
        "name another --out",
    )
