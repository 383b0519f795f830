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
from analysis.intake import Source
from analysis.report import Report, Stage
from schemas import empty, validate_table
from schemas.outputs import Prove

MANIFEST = "manifest.json"
MADE_BY = "rebleed"
UNFINISHED = ".rebleed-unfinished"
"""In a folder that is being written; it becomes the manifest."""
LOCK_SUFFIX = ".rebleed-lock"
LONGEST_MANIFEST = 64 * 2**20
"""Bytes."""
OF_THE_SYSTEM = {".DS_Store", "Thumbs.db", "desktop.ini"}
"""File managers leave these wherever somebody looks."""
LIBRARIES = ("polars", "pandera", "numpy", "scipy", "scikit-learn", "altair", "skops")


def manifest_text(report: Report, stages: tuple[Stage, ...]) -> str:
    """The manifest: what went in, what came of each row, with which settings and libraries, how long it took."""
    log, intake = report.log, report.intake
    content = _head(log.sources, report.as_of, report.window_days) | {
        "seed": report.seed,
        "standard": report.standard.name,
        "rows": {
            name: int(intake.get_column(name).sum()) for name in ("rows_read", "accepted", "set_aside", "duplicates")
        },
        "names_hidden": report.names_hidden,
        "model_sha256": report.model_bytes and hashlib.sha256(report.model_bytes).hexdigest(),
        "notes": [*log.warnings, *report.notes],
        "libraries": {name: metadata.version(name) for name in LIBRARIES},
        "seconds": {stage.name: round(stage.seconds, 3) for stage in stages},
    }
    return _text(content)


def run_marker(
    *,
    inputs: Sequence[Source] = (),
    as_of: dt.date | None = None,
    window_days: int | None = None,
    **more: Any,
) -> str:
    """The manifest of what is no whole audit (a check, a proof, the demo): readers refuse its folder as an export too.

    A simulated workshop is an export, to be read like any other: its folder carries no such manifest.
    """
    return _text(_head(inputs, as_of, window_days) | more)


def _head(inputs: Sequence[Source], as_of: dt.date | None, window_days: int | None) -> dict[str, Any]:
    """What every run's manifest has: `made_by` lets a later run replace the folder, the rest tells readers it is none."""
    return {
        "made_by": MADE_BY,
        "version": metadata.version("rebleed"),
        "inputs": [asdict(source) for source in inputs],
        "as_of": None if as_of is None else as_of.isoformat(),
        "window_days": window_days,
    }


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
    content = _read_manifest(folder)
    return None if content is None else str(content.get("made", "run of another version"))


def changes(folder: Path) -> list[str]:
    """The files of a run's folder that the run did not write, or that differ from what it wrote, each with which it is.

    A file that was removed is no change: nothing is left to lose.

    Raises
    ------
    OSError
        A file may not be read.
    """
    content = _read_manifest(folder) or {}
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


def _read_manifest(folder: Path) -> dict[str, Any] | None:
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


def read_proof(folder: str | Path) -> DataFrame[Prove]:
    """The table of a finished proof.

    Parameters
    ----------
    folder
        What `rebleed prove --out` wrote.

    Raises
    ------
    UserError
        It holds no such table.
    """
    path = Path(folder) / "tables" / "prove.csv"
    try:
        table = pl.read_csv(path, schema=empty(Prove).schema)
        if not all(values.drop_nulls().is_finite().all() for values in table.iter_columns() if values.dtype.is_float()):
            raise ValueError("a figure that is no number")
        return validate_table(Prove, table)
    except (OSError, ValueError, pl.exceptions.PolarsError) as error:
        raise UserError(
            str(path), "is not the table of a proof", "a folder that rebleed prove wrote", "make one"
        ) from error
