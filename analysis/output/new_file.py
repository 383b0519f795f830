"""A single file of text, whole or not there; no file that exists is ever overwritten."""

from __future__ import annotations

import os
from pathlib import Path

from analysis.errors import UserError


def refuse_existing(path: Path) -> None:
    """Stop before the work where the file could not be written at the end.

    Raises
    ------
    UserError
        Something has that name (a file, a folder, a link, a device), or its folder cannot be written.
    """
    if os.path.lexists(path):
        raise UserError(
            str(path),
            "is a folder" if path.is_dir() else "exists already",
            "the name of a new file: an existing one is never overwritten",
            "name another --out, or move the old file away",
        )
    nearest = next(parent for parent in path.absolute().parents if parent.exists())
    if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
        raise UserError(
            str(path),
            f"cannot be written: {nearest} is {'no folder' if not nearest.is_dir() else 'not yours to write'}",
            "a folder you may write",
            "name another --out",
        )


def write_new_file(path: Path, text: str) -> None:
    """Write a new text file (UTF-8), and its folder where there is none.

    Raises
    ------
    UserError
        It exists; it cannot be written: then nothing is left of it.
    """
    refuse_existing(path)
    unfinished, created = path.with_name(f".{path.name}.{os.getpid()}.writing"), False
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with unfinished.open("x", encoding="utf-8") as file:
            created = True
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        _name(unfinished, path)
    except OSError as error:
        raise UserError(
            str(path), f"cannot be written: {error.strerror or error}", "a place with room for it", "name another --out"
        ) from error
    finally:
        if created:
            unfinished.unlink(missing_ok=True)


def _name(unfinished: Path, path: Path) -> None:
    """Give the file its name unless another took it meanwhile; not every file system has the link that settles this."""
    try:
        os.link(unfinished, path)
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError:
        refuse_existing(path)
        unfinished.replace(path)
