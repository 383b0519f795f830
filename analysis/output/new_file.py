"""Write one text file completely or not at all; existing files are never overwritten."""

from __future__ import annotations

import os
from pathlib import Path

from analysis.errors import UserError


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
