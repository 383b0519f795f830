"""What an audit can be asked for."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

SEED = 20260101


ShopDay = tuple[str | None, dt.date]
"""A day of one shop, or of all of them (None)."""


@dataclass(frozen=True)
class AuditOptions:
    """What was asked for."""

    exports: tuple[str, ...]
    out: Path
    map_path: str | None = None
    standard_path: str | None = None
    as_of: dt.date | None = None
    window_days: int | None = None
    seed: int = SEED
    hide_names: bool = False
    parquet: bool = False
    returns_from: tuple[ShopDay, ...] = ()
    returns_to: tuple[ShopDay, ...] = ()
    proof: Path | None = None
