"""The `audit` command: start a worker process and audit exports into a folder."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.audit_options import AuditOptions
from analysis.drawing import require_address_space
from analysis.parallel import Executor, SerialExecutor, worker

if TYPE_CHECKING:
    from analysis.commands.audit_folder import AuditResult

WORKER_MODULES = ("analysis.risk", "analysis.stages")
"""Imported by the worker while exports are read."""

SMALL_EXPORT = 30_000
"""Bytes of about a hundred bleeds: too few for a risk model, so a worker would save no time."""


def audit_exports(options: AuditOptions, progress: Callable[[str], None] = lambda _: None) -> AuditResult:
    """Read, audit and write one folder.

    Raises
    ------
    UserError
        The exports, map, procedure, options or folder.
    """
    if options.pages:
        require_address_space()
    with _choose_executor(options) as executor:  # both processes import their libraries at the same time
        from analysis.commands.audit_folder import audit_to_folder

        return audit_to_folder(options, progress, executor)


def _choose_executor(options: AuditOptions) -> AbstractContextManager[Executor]:
    """A worker process, or a serial executor for small exports and for classifiers of the user's own modules."""
    small = sum(_export_bytes(export) for export in options.exports) < SMALL_EXPORT
    return SerialExecutor() if small or options.classifiers else worker(*WORKER_MODULES)


def _export_bytes(export: str) -> float:
    """Bytes of a file or of the files in a folder; infinite for a database."""
    path = Path(export)
    try:
        return sum(part.stat().st_size for part in (path.iterdir() if path.is_dir() else [path]))
    except (OSError, ValueError):
        return float("inf")
