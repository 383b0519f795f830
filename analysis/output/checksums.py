"""Which files of a folder a run wrote itself, by the SHA-256 of each in the run's manifest."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

MANIFEST = "manifest.json"
MADE_BY = "rebleed"
UNFINISHED = ".rebleed-unfinished"
"""In a folder that is being written; it becomes the manifest."""
LOCK_SUFFIX = ".rebleed-lock"
LONGEST_MANIFEST = 64 * 2**20
"""Bytes."""
OF_THE_SYSTEM = {".DS_Store", "Thumbs.db", "desktop.ini"}
"""File managers leave these wherever somebody looks."""


def seal(folder: Path, kind: str) -> None:
    """Write into the manifest which kind of run wrote the folder, and the SHA-256 of every file, in one step.

    Parameters
    ----------
    folder
        Holds everything the run wrote, its own manifest among it.
    kind
        The kind of run: "audit", "check", ...
    """
    manifest = folder / MANIFEST
    content = json.loads(manifest.read_text("utf-8")) if manifest.exists() else {}
    files = {name: _sha256(folder / name) for name in sorted(_files(folder))}
    mark = folder / UNFINISHED
    with mark.open("w", encoding="utf-8", newline="\n") as file:
        file.write(_sealed_text(content | {"made_by": MADE_BY, "made": kind, "files": files}))
        file.flush()
        os.fsync(file.fileno())
    mark.replace(manifest)


def kind_of_run(folder: Path) -> str | None:
    """Which kind of run finished this folder; None where no run did.

    Raises
    ------
    OSError
        The folder or its manifest may not be read.
    """
    content = _manifest(folder)
    return None if content is None else str(content.get("made", "run of another version"))


def changes(folder: Path) -> list[str]:
    """The files of a run's folder that the run did not write, or that differ from what it wrote, each with which it is.

    A file that was removed is no change: nothing is left to lose.

    Raises
    ------
    OSError
        A file may not be read.
    """
    content = _manifest(folder) or {}
    recorded = content.get("files")
    recorded = recorded if isinstance(recorded, dict) else {}
    changed = [] if _is_sealed(folder, content) else [f"{MANIFEST} (changed)"]
    for name in sorted(_files(folder)):
        if name not in recorded:
            changed.append(f"{name} (added)")
        elif (folder / name).is_symlink() or not (folder / name).is_file() or _sha256(folder / name) != recorded[name]:
            changed.append(f"{name} (changed)")
    return changed


def is_unfinished(folder: Path) -> bool:
    """Whether a run began to write this folder and was killed, or left it empty."""
    return (folder / UNFINISHED).is_file() or not any(folder.iterdir())


def _manifest(folder: Path) -> dict[str, Any] | None:
    """The manifest of a run; None where there is none, or another program's."""
    path = folder / MANIFEST
    if path.is_symlink() or not path.is_file() or path.stat().st_size > LONGEST_MANIFEST:
        return None
    try:
        content = json.loads(path.read_text("utf-8"))
    except (ValueError, RecursionError):
        return None
    return content if isinstance(content, dict) and content.get("made_by") == MADE_BY else None


def _is_sealed(folder: Path, content: dict[str, Any]) -> bool:
    unsealed = {key: value for key, value in content.items() if key != "sha256"}
    try:
        return (folder / MANIFEST).read_bytes() == _sealed_text(unsealed).encode()
    except (FileNotFoundError, ValueError, RecursionError):
        return False


def _sealed_text(content: dict[str, Any]) -> str:
    """The manifest with a checksum of its own text."""
    unsealed = {key: value for key, value in content.items() if key != "sha256"}
    return _text(unsealed | {"sha256": hashlib.sha256(_text(unsealed).encode()).hexdigest()})


def _text(content: dict[str, Any]) -> str:
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def _files(folder: Path) -> Iterator[str]:
    """Every file, link or device below, by its path within the folder; not the manifest, nor what killed runs left."""
    for place, folders, files in os.walk(folder, onerror=_raise):
        here = Path(place)
        links = [name for name in folders if (here / name).is_symlink()]
        folders[:] = [name for name in folders if name not in links and not _is_left_by_a_killed_run(here / name)]
        for name in [*files, *links]:
            path = here / name
            own = here == folder and name in (MANIFEST, UNFINISHED)
            if not own and name not in OF_THE_SYSTEM and not _is_left_by_a_killed_run(path):
                yield path.relative_to(folder).as_posix()


def _is_left_by_a_killed_run(path: Path) -> bool:
    if not path.name.startswith("."):
        return False
    if path.name.endswith(LOCK_SUFFIX):
        return path.is_file() and path.stat().st_size == 0
    return path.name.endswith(".writing") and (path / UNFINISHED).is_file()


def _raise(error: OSError) -> None:
    raise error


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
