"""Read the bytes of files, small texts and TOML, and list the files of a folder."""

from __future__ import annotations

import hashlib
import json
import os
import stat
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.raw_table import SkippedFile

FILE_TYPES = {
    ".csv": "text",
    ".tsv": "text",
    ".tab": "text",
    ".txt": "text",
    ".xlsx": "workbook",
    ".xlsm": "workbook",
    ".xls": "workbook",
    ".xlsb": "workbook",
    ".ods": "workbook",
    ".parquet": "parquet",
    ".pq": "parquet",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
    ".json": "jsonl",
    ".sqlite": "sqlite",
    ".sqlite3": "sqlite",
    ".db": "sqlite",
}
SQLITE_SIGNATURE = b"SQLite format 3\x00"
_NAME_KEY_ENDING, _NAME_KEY_HEADINGS = ".names.csv", b"technician,code"
_MANIFEST = "manifest.json"
_MANIFEST_KEYS = {"version", "inputs", "as_of", "window_days"}
_MAX_MANIFEST_BYTES = 64 * 2**20
_READ_BYTES = 1 << 22
SMALL_FILE_BYTES = 1_000_000
"""Of a map, a procedure or a letter."""
_SPECIAL_FILES = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISDIR, "a folder"),
)


@dataclass(frozen=True)
class Snapshot:
    """The bytes of a file at one moment, their SHA-256, and the name used for the file in messages and tables."""

    label: str
    data: bytes
    sha256: str


@dataclass(frozen=True)
class FolderFiles:
    """The files of a folder that can be read, and those that are skipped."""

    files: tuple[Path, ...]
    skipped: tuple[SkippedFile, ...]


def snapshot(path: Path, label: str) -> Snapshot:
    """Read a regular file.

    Raises
    ------
    UserError
        The file is not a regular file, cannot be read, is too large, or changed while it was read.
    """
    refuse_special(label, stat_file(path))
    try:
        with _open_without_waiting(path) as descriptor:
            before = os.fstat(descriptor)
            refuse_special(label, before)
            if before.st_size > limits.FILE_BYTES:
                raise UserError(
                    label, f"{before.st_size:,} bytes", f"at most {limits.FILE_BYTES:,}", "export fewer rows"
                )
            data = _read_all(descriptor, before.st_size)
            after = os.fstat(descriptor)
    except (OSError, ValueError) as problem:
        raise unreadable_file_error(label, problem) from None
    same_file = (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
    if not same_file or len(data) > limits.FILE_BYTES or before.st_size not in (0, len(data)):
        raise changed_file_error(label)
    return Snapshot(label, data, hashlib.sha256(data).hexdigest())


def read_small_file(
    path: str | Path, expected: str, remedy: str = "check the path", most: int = SMALL_FILE_BYTES
) -> bytes:
    """Read a regular file of at most `most` bytes.

    Raises
    ------
    UserError
        It is no such file, or cannot be read; with `expected` and `remedy`.
    """
    label = printable_path(path)
    try:
        status = stat_file(Path(path))
        refuse_special(label, status)
        if status.st_size > most:
            raise UserError(label, f"is larger than {most / 1e6:,.0f} MB")
        return Path(path).read_bytes()
    except OSError as problem:
        raise UserError(label, unreadable_file_error(label, problem).problem, expected, remedy) from problem
    except UserError as error:
        raise UserError(label, error.problem, expected, remedy) from error


def read_small_text(path: str | Path, expected: str) -> str:
    """Read a regular UTF-8 file of at most 1 MB; errors as `read_small_file`, and for text in another encoding."""
    try:
        return read_small_file(path, expected).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UserError(printable_path(path), "is not UTF-8 text", expected, "save it as UTF-8") from error


def parse_toml(text: str, label: str) -> dict[str, Any]:
    """The content of a TOML file; UserError if it is none."""
    try:
        content = tomllib.loads(text)
        repr(content)  # fails for a hexadecimal number too long for any message
    except (ValueError, RecursionError) as error:
        raise UserError(label, f"is not valid TOML: {error}", "key = value lines", "correct that line") from error
    return content


def folder_files(path: Path) -> FolderFiles:
    """List the files of a folder, sorted by name, without subfolders, links and hidden files.

    Raises
    ------
    UserError
        The folder cannot be read, or is the output of an earlier run.
    """
    try:
        entries = sorted(os.scandir(path), key=lambda entry: entry.name)
    except OSError as problem:
        raise unreadable_file_error(printable_path(path), problem) from None
    if _is_run_manifest(path / _MANIFEST):
        raise UserError(
            printable_path(path),
            "this folder was written by an earlier run",
            "a folder of exports",
            "name the folder of the exports",
        )
    files, skipped = [], []
    for entry in entries:
        if entry.name.startswith("."):
            continue
        try:
            reason = _reason_to_skip(entry)
        except OSError as problem:  # a folder that can be listed but not entered, or a file deleted meanwhile
            raise unreadable_file_error(printable_path(entry.path), problem) from None
        if reason:
            skipped.append(SkippedFile(printable_path(entry.path), reason))
        else:
            files.append(Path(entry.path))
    return FolderFiles(tuple(files), tuple(skipped))


def printable_path(path: str | os.PathLike[str]) -> str:
    """A path as text that can be written as UTF-8; other bytes become the replacement character."""
    return os.fsencode(path).decode("utf-8", "replace")


def stat_file(path: Path) -> os.stat_result:
    """The status of the file a path leads to.

    Raises
    ------
    UserError
        There is no file, access is denied, or its links form a loop.
    """
    try:
        return path.stat()
    except (OSError, ValueError) as problem:
        raise unreadable_file_error(printable_path(path), problem) from None


def refuse_special(label: str, status: os.stat_result) -> None:
    """Raise a UserError for anything but a regular file, such as a pipe."""
    if stat.S_ISREG(status.st_mode):
        return
    kind = next((name for test, name in _SPECIAL_FILES if test(status.st_mode)), "not a regular file")
    raise UserError(label, f"this is {kind}", "a file with rows in it", "save the export as a file and name that")


def changed_file_error(label: str) -> UserError:
    """The error for a file that was written to while it was read."""
    return UserError(
        label,
        "the file changed while it was read",
        "a file that no program is writing to",
        "wait until the export is finished, then run again",
    )


def unreadable_file_error(label: str, problem: Exception) -> UserError:
    """The error for a file that the operating system cannot open or read."""
    reason = problem.strerror if isinstance(problem, OSError) and problem.strerror else str(problem)
    return UserError(label, f"cannot be read ({reason})", "a readable file", "check the name and the permissions")


@contextmanager
def _open_without_waiting(path: Path) -> Iterator[int]:
    """Open a file; if a pipe has replaced it since it was checked, do not wait for a writer."""
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _read_all(descriptor: int, size: int) -> bytes:
    """Read a file, but stop once it has more bytes than its size: another program is writing to it."""
    chunks, length, limit = [], 0, size or limits.FILE_BYTES
    while length <= limit and (chunk := os.read(descriptor, max(size - length, _READ_BYTES))):
        chunks.append(chunk)
        length += len(chunk)
    return b"".join(chunks)


def _reason_to_skip(entry: os.DirEntry[str]) -> str:
    """Why a file of a folder is not read; empty if it is read."""
    if entry.is_symlink():
        return "link"
    if entry.is_dir(follow_symlinks=False):
        return "subfolder"
    if not entry.is_file(follow_symlinks=False):
        return "not a regular file"
    if entry.name.startswith("~$"):
        return "lock file of an open workbook"
    if Path(entry.name).suffix.lower() not in FILE_TYPES or entry.name.lower() == _MANIFEST:
        return "unsupported file type"
    if entry.stat(follow_symlinks=False).st_size == 0:
        return "empty file"
    if entry.name.endswith(_NAME_KEY_ENDING) and _first_line(entry).strip() == _NAME_KEY_HEADINGS:
        return "key to hidden names"
    return "" if _content_fits_extension(entry) else "content does not match the file extension"


def _content_fits_extension(entry: os.DirEntry[str]) -> bool:
    """Check extensions that many programs use: .json must hold one object per line, .db an SQLite database."""
    extension = Path(entry.name).suffix.lower()
    first_line = _first_line(entry) if extension in (".json", ".db") else b""
    if not first_line:
        return True
    if extension == ".db":
        return first_line.startswith(SQLITE_SIGNATURE)
    try:
        return isinstance(json.loads(first_line), dict)
    except (ValueError, RecursionError):
        return False


def _first_line(entry: os.DirEntry[str]) -> bytes:
    """The first line of a file; empty if the file cannot be read."""
    try:
        with open(entry.path, "rb") as file:
            return file.readline(limits.CELL_BYTES)
    except OSError:
        return b""


def _is_run_manifest(path: Path) -> bool:
    try:
        if not path.is_file() or path.stat().st_size > _MAX_MANIFEST_BYTES:
            return False
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(content, dict) and set(content) >= _MANIFEST_KEYS
