"""An audit from exports to a finished folder: what the command does, as a function."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.audit import SEED, Clock, audit
from analysis.cluster import connected
from analysis.followup import Covered
from analysis.hands import HERE as NOBODY_ELSE
from analysis.hands import Hands, hands_beside
from analysis.intake import Log, read_log
from analysis.output import (
    coded,
    hidden,
    key_path,
    read_key,
    read_proof,
    refuse_foreign,
    run_folder,
    write_key,
    write_report,
)
from analysis.regression import Workers
from analysis.report import Report
from analysis.standard import Standard, built_in, read_standard

RISK_NEEDS = ("skops.io", "sklearn.ensemble", "analysis.audit")
"""What the process beside imports while exports are read. skops first: it looks for its names in every module there is."""

SMALL_BYTES = 30_000
"""A hundred bleeds as text."""


@dataclass(frozen=True)
class AuditOrder:
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
    returns_from: dt.date | None = None
    returns_to: dt.date | None = None
    proof: Path | None = None
    cluster: str | None = None


@dataclass(frozen=True)
class Audited:
    """What came of it: the report, the words for the terminal, how many rows were set aside."""

    report: Report
    text: str
    rows_set_aside: int


def audit_exports(order: AuditOrder, told: Callable[[str], None] = lambda _: None) -> Audited:
    """Read, audit and write one folder.

    Raises
    ------
    CannotRun
        Anything a user can mend: exports, map, standard, options, the folder, the cluster.
    """
    refuse_foreign(order.out.absolute())
    with _hands(order.exports) as hands, _workers(order.cluster) as workers:
        return _audited(order, Clock(told), hands, workers)


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


@contextmanager
def _workers(cluster: str | None) -> Iterator[Workers | None]:
    if cluster is None:
        yield None
        return
    with connected(cluster) as client:
        yield Workers(client)


def _audited(order: AuditOrder, clock: Clock, hands: Hands, workers: Workers | None) -> Audited:
    with clock.stage("read"):
        log = read_log(order.exports, order.map_path, order.as_of)
        standard = standard_for(log, order.standard_path)
    proof = None if order.proof is None else read_proof(order.proof)
    key = read_key(key_path(order.out)) if order.hide_names else {}
    if order.hide_names:
        key = coded(log, key, random.SystemRandom())
        log = hidden(log, key)
        write_key(key_path(order.out), key)
    report = audit(
        log,
        standard,
        window_days=order.window_days,
        seed=order.seed,
        covered=Covered(order.returns_from, order.returns_to),
        names_hidden=order.hide_names,
        clock=clock,
        workers=workers,
        hands=hands,
    )
    report = replace(report, proof=proof)
    with clock.stage("pages"):
        from analysis.pages import CAUTIONS, ending, pages

        drawn = pages(report, hands)
    with run_folder(order.out) as folder:
        for page in drawn:
            (folder / page.file).write_text(page.text, encoding="utf-8")
        write_report(folder, report, stages=tuple(clock.stages), parquet=order.parquet)
    aside = int(report.intake.get_column("set_aside").sum())
    text = "\n".join([*ending(report, order.out), *CAUTIONS])
    return Audited(report, text, aside)


def standard_for(log: Log, path: str | None) -> Standard:
    """The shop's standard, which may read the log's own fields, else the built-in one."""
    return built_in() if path is None else read_standard(path, [own.name for own in log.own_fields])
