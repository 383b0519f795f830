"""Simulated workshops as the estimating rooms take them, without a detour through files."""

from __future__ import annotations

import tempfile
from pathlib import Path

from analysis.intake import read_log
from analysis.prepared import Prepared, prepared
from analysis.standard import Standard, built_in
from synthetic import Made, write_made


def prepared_of(made: Made, standard: Standard | None = None, window_days: int = 90) -> Prepared:
    """The made log, read and prepared."""
    with tempfile.TemporaryDirectory() as folder:
        write_made(made, Path(folder))
        log = read_log([folder])
    return prepared(log, standard or built_in(), window_days)
