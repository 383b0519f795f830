"""Options of the audit command."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

SEED = 20260101
"""Default random seed."""

RISK_MODEL = "rebleed"
"""Name of the risk model among classifiers."""

ShopDay = tuple[str | None, dt.date]
"""A workshop (None: all of them) and a day."""


@dataclass(frozen=True)
class AuditOptions:
    """Options of one audit, as on the command line; without `pages` only tables, log and model are written."""

    exports: tuple[str, ...]
    out: Path
    map_path: str | None = None
    standard_paths: tuple[str, ...] = ()
    as_of: dt.date | None = None
    window_days: int | None = None
    seed: int = SEED
    hide_names: bool = False
    parquet: bool = False
    returns_from: tuple[ShopDay, ...] = ()
    returns_to: tuple[ShopDay, ...] = ()
    proof: Path | None = None
    today: dt.date | None = None
    groups: tuple[str, ...] = ()
    since: Path | None = None
    letter: str | None = None
    pages: bool = True
    extra: tuple[str, ...] = ()
    classifiers: tuple[str, ...] = ()
