"""An audit from exports to a finished folder: what the command does, as a function."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.audit_options import AuditOptions
from analysis.parallel import Executor, SerialExecutor, worker

if TYPE_CHECKING:
    from analysis.commands.audit_folder import AuditResult

WORKER_MODULES = ("skops.io", "sklearn.ensemble", "analysis.audit")
"""What the worker imports while exports are read. skops first: it searches every module there is for its names."""

SMALL_BYTES = 30_000
"""A hundred bleeds as text."""


def audit_exports(options: AuditOptions, progress: Callable[[str], None] = lambda _: None) -> AuditResult:
    """Read, audit and write one folder.

    Raises
    ------
    UserError
        Anything a user can correct: exports, map, standard, options, the folder.
    """
    with _executor(options.exports) as executor:  # the worker imports what it needs while this process does
        from analysis.commands.audit_folder import audit_to_folder

        return audit_to_folder(options, progress, executor)


def _executor(exports: tuple[str, ...]) -> AbstractContextManager[Executor]:
    """A worker, unless the exports are files too small for an estimate of risk."""
    small = sum(_size(export) for export in exports) < SMALL_BYTES
    return SerialExecutor() if small else worker(*WORKER_MODULES)


def _size(export: str) -> float:
    """Bytes of a file, or of the files of a folder; infinite for what is neither."""
    path = Path(export)
    try:
        return sum(part.stat().st_size for part in (path.iterdir() if path.is_dir() else [path]))
    except (OSError, ValueError):
        return float("inf")
