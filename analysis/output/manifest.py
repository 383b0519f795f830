"""The manifest of a run's folder: its content, and checksums that show which files the run wrote itself."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from importlib import metadata
from pathlib import Path
from typing import Any

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from analysis.intake import Source, read_small_file
from analysis.report import Report, StageDuration
from schemas import empty, validate_table
from schemas.outputs import Prove

MANIFEST = "manifest.json"
MADE_BY = "rebleed"
UNFINISHED = ".rebleed-unfinished"
"""Marks a folder that is being written; it is renamed to the manifest at the end."""
LOCK_SUFFIX = ".rebleed-lock"
MAX_MANIFEST_BYTES = MAX_PROOF_BYTES = 64 * 2**20
SYSTEM_FILES = {".DS_Store", "Thumbs.db", "desktop.ini"}
"""Written by file managers into any folder that is opened."""
LIBRARIES = ("polars", "pandera", "numpy", "scipy", "scikit-learn", "altair")


def manifest_text(report: Report, stages: tuple[StageDuration, ...]) -> str:
    """The manifest of an audit: inputs, row counts, settings, library versions and seconds per stage."""
    log, intake = report.log, report.intake
    content = _common_entries(log.sources, report.as_of, report.window_days) | {
        "seed": report.seed,
        "standard": report.standard.name,
        "rows": {
            name: int(intake.get_column(name).sum()) for name in ("rows_read", "accepted", "set_aside", "duplicates")
        },
        "names_hidden": report.names_hidden,
        "look": report.look,
        "model_sha256": report.model_bytes and hashlib.sha256(report.model_bytes).hexdigest(),
        "notes": [*log.warnings, *report.notes],
        "libraries": {name: metadata.version(name) for name in LIBRARIES},
        "seconds": {stage.name: round(stage.seconds, 3) for stage in stages},
    }
    return _json_text(content)


def run_manifest_text(
    *,
    inputs: Sequence[Source] = (),
    as_of: dt.date | None = None,
    window_days: int | None = None,
    **more: Any,
) -> str:
    """The manifest of a run other than an audit: a check, a proof, the demo.

    Readers refuse a folder with a manifest as an export. A simulated workshop is meant to be read, so it gets none from here.
    """
    return _json_text(_common_entries(inputs, as_of, window_days) | more)


def _common_entries(inputs: Sequence[Source], as_of: dt.date | None, window_days: int | None) -> dict[str, Any]:
    """The part that every manifest has; `made_by` lets a later run replace the folder."""
    return {
        "made_by": MADE_BY,
        "version": metadata.version("rebleed"),
        "inputs": [asdict(source) for source in inputs],
        "as_of": None if as_of is None else as_of.isoformat(),
        "window_days": window_days,
    }


def seal(folder: Path, kind: str) -> None:
    """Add the kind of run and the SHA-256 of every file to the manifest, in one step."""
    manifest = folder / MANIFEST
    content = json.loads(manifest.read_text("utf-8")) if manifest.exists() else {}
    files = {name: _sha256(folder / name) for name in sorted(_list_files(folder))}
    draft = folder / UNFINISHED
    with draft.open("w", encoding="utf-8", newline="\n") as file:
        file.write(_sealed_text(content | {"made_by": MADE_BY, "made": kind, "files": files}))
        file.flush()
        os.fsync(file.fileno())
    draft.replace(manifest)


def kind_of_run(folder: Path) -> str | None:
    """The kind of run that wrote this folder; None for any other folder.

    Raises
    ------
    OSError
        The folder or its manifest cannot be read.
    """
    content = _read_manifest(folder)
    return None if content is None else str(content.get("made", "run of another version"))


def list_changed_files(folder: Path) -> list[str]:
    """List files that were added to or changed in the folder of a run; removed files do not count.

    Raises
    ------
    OSError
        A file cannot be read.
    """
    content = _read_manifest(folder) or {}
    recorded = content.get("files")
    recorded = recorded if isinstance(recorded, dict) else {}
    changed = [] if _is_sealed(folder, content) else [f"{MANIFEST} (changed)"]
    for name in sorted(_list_files(folder)):
        if name not in recorded:
            changed.append(f"{name} (added)")
        elif (folder / name).is_symlink() or not (folder / name).is_file() or _sha256(folder / name) != recorded[name]:
            changed.append(f"{name} (changed)")
    return changed


def is_unfinished(folder: Path) -> bool:
    """Whether the folder was left by a killed run, or is empty."""
    return (folder / UNFINISHED).is_file() or not any(folder.iterdir())


def _read_manifest(folder: Path) -> dict[str, Any] | None:
    """The manifest of a run; None if the folder has none of this program."""
    path = folder / MANIFEST
    if path.is_symlink() or not path.is_file() or path.stat().st_size > MAX_MANIFEST_BYTES:
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
    """The manifest with a checksum of its own text added."""
    unsealed = {key: value for key, value in content.items() if key != "sha256"}
    return _json_text(unsealed | {"sha256": hashlib.sha256(_json_text(unsealed).encode()).hexdigest()})


def _json_text(content: dict[str, Any]) -> str:
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def _list_files(folder: Path) -> Iterator[str]:
    """Relative paths of all files, links and devices in the folder, except the manifest and remains of killed runs."""
    for place, folders, files in os.walk(folder, onerror=_raise_error):
        here = Path(place)
        links = [name for name in folders if (here / name).is_symlink()]
        folders[:] = [name for name in folders if name not in links and not _is_remains_of_killed_run(here / name)]
        for name in [*files, *links]:
            path = here / name
            own = here == folder and name in (MANIFEST, UNFINISHED)
            if not own and name not in SYSTEM_FILES and not _is_remains_of_killed_run(path):
                yield path.relative_to(folder).as_posix()


def _is_remains_of_killed_run(path: Path) -> bool:
    if not path.name.startswith("."):
        return False
    if path.name.endswith(LOCK_SUFFIX):
        return path.is_file() and path.stat().st_size == 0
    return path.name.endswith(".writing") and (path / UNFINISHED).is_file()


def _raise_error(error: OSError) -> None:
    raise error


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_proof(folder: str | Path) -> DataFrame[Prove]:
    """Read the table of a finished validation.

    Raises
    ------
    UserError
        It has no such table.
    """
    path = Path(folder) / "tables" / "prove.csv"
    try:
        content = read_small_file(path, "", most=MAX_PROOF_BYTES)
        table = pl.read_csv(content, schema=empty(Prove).schema)
        if not all(values.drop_nulls().is_finite().all() for values in table.iter_columns() if values.dtype.is_float()):
            raise ValueError("a value that is not finite")
        return validate_table(Prove, table)
    except (UserError, ValueError, pl.exceptions.PolarsError) as error:
        raise UserError(
            str(path), "was not written by rebleed prove", "a folder written by rebleed prove", "run rebleed prove"
        ) from error
