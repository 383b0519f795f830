"""The manifest of a run's folder: what went in, what came of it, and by what it is known again."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict
from importlib import metadata
from typing import Any

from analysis.intake import Source
from analysis.output.checksums import MADE_BY
from analysis.report import Report, Stage

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


def _text(values: dict[str, Any]) -> str:
    return json.dumps(values, indent=2, ensure_ascii=False) + "\n"
