"""A small shop's canonical exports in a folder, and its audit: made once for all tests that only look at it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import gettempdir
from uuid import uuid4

from analysis.commands.audit_folder import AuditResult
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.report import Report
from synthetic import co_operative, write_simulation

BLEEDS, SEED = 1000, 11
"""1,000 bleeds give about 55 comebacks: enough that every estimating stage runs, few enough to be quick."""


@dataclass(frozen=True)
class Run:
    """An audit as the command makes it: where its exports and folder lie, and what it told."""

    exports: Path
    out: Path
    audited: AuditResult


@cache
def exports() -> Path:
    """In a folder without an underscore, which would look like a column's name."""
    folder = Path(gettempdir()) / f"rebleed-tests-{uuid4().hex}"
    folder.mkdir()
    write_simulation(co_operative(SEED, BLEEDS), folder / "exports")
    return folder / "exports"


@cache
def report() -> Report:
    return run().audited.report


@cache
def run(hide_names: bool = False) -> Run:
    out = exports().parent / ("hidden" if hide_names else "run")
    order = AuditOptions((str(exports()),), out, hide_names=hide_names, parquet=not hide_names)
    return Run(exports(), out, audit_exports(order))
