"""The files of a folder: one level, by name, no links, no hidden files, nothing a run wrote itself."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from analysis.errors import UserError
from analysis.intake.readers.limits import CELL_BYTES
from analysis.intake.readers.snapshot import printable_path, unreadable

KINDS = {
    ".csv": "text",
    ".tsv": "text",
    ".tab": "text",
    ".txt": "text",
    ".xlsx": "book",
    ".xlsm": "book",
    ".xls": "book",
    ".xlsb": "book",
    ".ods": "book",
    ".parquet": "parquet",
    ".pq": "parquet",
    ".jsonl": "lines",
    ".ndjson": "lines",
    ".json": "lines",
    ".sqlite": "sqlite",
    ".sqlite3": "sqlite",
    ".db": "sqlite",
}
SQLITE = b"SQLite format 3\x00"
KEY_ENDING, KEY_HEADINGS = ".names.csv", b"technician,code"
_MANIFEST = "manifest.json"
_MANIFEST_KEYS = {"version", "inputs", "as_of", "window_days"}
_LONGEST_MANIFEST = 64 * 2**20


@dataclass(frozen=True)
class SkippedFile:
    """A file, sheet or table that was not read, and why."""

    file: str
    reason: str


@dataclass(frozen=True)
class Folder:
    """What a folder offers to be read, and what it holds beside."""

    files: tuple[Path, ...]
    skipped: tuple[SkippedFile, ...]


def folder_files(path: Path) -> Folder:
    """The files of a folder that can be read, sorted by name.

    Raises
    ------
    UserError
        The folder may not be read, or is what an earlier run wrote.
    """
    try:
        entries = sorted(os.scandir(path), key=lambda entry: entry.name)
    except OSError as problem:
        raise unreadable(printable_path(path), problem) from None
    if _is_output(path / _MANIFEST):
        raise UserError(
            printable_path(path),
            "this is what an earlier run wrote",
            "a folder of exports",
            "name the folder of the exports",
        )
    files, passed_over = [], []
    for entry in entries:
        if entry.name.startswith("."):
            continue
        try:
            why = _reason_against(entry)
        except OSError as problem:  # the folder may be listed but not entered, or the file is gone meanwhile
            raise unreadable(printable_path(entry.path), problem) from None
        if why:
            passed_over.append(SkippedFile(printable_path(entry.path), why))
        else:
            files.append(Path(entry.path))
    return Folder(tuple(files), tuple(passed_over))


def _reason_against(entry: os.DirEntry[str]) -> str:
    if entry.is_symlink():
        return "a link"
    if entry.is_dir(follow_symlinks=False):
        return "a folder within the folder"
    if not entry.is_file(follow_symlinks=False):
        return "no regular file"
    if entry.name.startswith("~$"):
        return "the lock of a workbook that is open"
    kind = KINDS.get(Path(entry.name).suffix.lower())
    if kind is None or entry.name.lower() == _MANIFEST:
        return "not a kind of file that is read"
    if entry.stat(follow_symlinks=False).st_size == 0:
        return "an empty file"
    if entry.name.endswith(KEY_ENDING) and _first_line(entry).strip() == KEY_HEADINGS:
        return "the key to hidden names"
    return "" if _content_fits_extension(entry) else "its ending is read, but it is of another kind"


def _content_fits_extension(entry: os.DirEntry[str]) -> bool:
    """Endings that other programs use too count only with the right beginning: .json one object a line, .db SQLite."""
    ending = Path(entry.name).suffix.lower()
    if ending not in (".json", ".db"):
        return True
    first = _first_line(entry)
    if not first:  # reading it says why
        return True
    if ending == ".db":
        return first.startswith(SQLITE)
    try:
        return isinstance(json.loads(first), dict)
    except (ValueError, RecursionError):
        return False


def _first_line(entry: os.DirEntry[str]) -> bytes:
    """Nothing where it cannot be read."""
    try:
        with open(entry.path, "rb") as file:
            return file.readline(CELL_BYTES)
    except OSError:
        return b""


def _is_output(manifest: Path) -> bool:
    try:
        if not manifest.is_file() or manifest.stat().st_size > _LONGEST_MANIFEST:
            return False
        content = json.loads(manifest.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(content, dict) and set(content) >= _MANIFEST_KEYS
