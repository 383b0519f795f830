"""An audit from exports to a finished folder: what the command does, as a function.

A process beside begins before this one imports what an audit takes: both do so at once.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.hands import HERE as NOBODY_ELSE
from analysis.hands import Hands, hands_beside
from analysis.order import AuditOrder

if TYPE_CHECKING:
    from analysis.audit_folder import Audited

RISK_NEEDS = ("skops.io", "sklearn.ensemble", "analysis.audit")
"""What the process beside imports while exports are read. skops first: it looks for its names in every module there is."""

SMALL_BYTES = 30_000
"""A hundred bleeds as text."""


def audit_exports(order: AuditOrder, told: Callable[[str], None] = lambda _: None) -> Audited:
    """Read, audit and write one folder.

    Raises
    ------
    CannotRun
        Anything a user can mend: exports, map, standard, options, the folder, the cluster.
    """
    with _hands(order.exports) as hands:
        from analysis.audit_folder import audited_folder

        return audited_folder(order, told, hands)


def _hands(exports: tuple[str, ...]) -> AbstractContextManager[Hands]:
    """A process beside, unless the exports are files too small for a risk to be told from them."""
    small = sum(_size(export) for export in exports) < SMALL_BYTES
    return nullcontext(NOBODY_ELSE) if small else hands_beside(1, RISK_NEEDS)


def _size(export: str) -> float:
    """Bytes of a file, or of the files of a folder; infinite for what is neither."""
    path = Path(export)
    try:
        return sum(part.stat().st_size for part in (path.iterdir() if path.is_dir() else [path]))
    except (OSError, ValueError):
        return float("inf")
