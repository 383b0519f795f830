"""An audit with all it takes imported: exports read, audited, drawn, and written as one folder."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from analysis.audit import Clock, audit
from analysis.cluster import connected
from analysis.followup import Covered
from analysis.hands import Hands
from analysis.intake import Log, read_log
from analysis.order import AuditOrder
from analysis.output import (
    OutputPlace,
    claim_folder,
    coded,
    hidden,
    hidden_standard,
    key_path,
    read_key,
    read_proof,
    write_key,
    write_manifest,
    write_report,
    writing_log,
)
from analysis.regression import Workers
from analysis.report import Report
from analysis.standard import Standard, built_in, read_standard


@dataclass(frozen=True)
class Audited:
    """What came of it: the report, the words for the terminal, how many rows were set aside."""

    report: Report
    text: str
    rows_set_aside: int


def audited_folder(order: AuditOrder, told: Callable[[str], None], hands: Hands) -> Audited:
    """What `auditing.audit_exports` does, with these hands."""
    inputs = (*order.exports, order.map_path, order.standard_path, order.proof)
    with claim_folder(order.out, "audit", inputs) as place, _workers(order.cluster) as workers:
        return _audited(order, place, Clock(told), hands, workers)


@contextmanager
def _workers(cluster: str | None) -> Iterator[Workers | None]:
    if cluster is None:
        yield None
        return
    with connected(cluster) as client:
        yield Workers(client)


def _audited(order: AuditOrder, place: OutputPlace, clock: Clock, hands: Hands, workers: Workers | None) -> Audited:
    with clock.stage("read"):
        log = read_log(order.exports, order.map_path, order.as_of)
        standard = standard_for(log, order.standard_path)
    proof = None if order.proof is None else read_proof(order.proof)
    key = read_key(key_path(order.out)) if order.hide_names else {}
    if order.hide_names:
        key = coded(log, key, random.SystemRandom())
        log, standard = hidden(log, key), hidden_standard(standard, log, key)
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
    with place.write() as folder:
        with writing_log(folder, report) as beside:
            with clock.stage("charts"):
                from analysis.pages import CAUTIONS, asked_pages, terminal_summary

                drawn = asked_pages(report, hands)
            with clock.stage("tables"):  # while the pictures are drawn beside
                write_report(folder, report, parquet=order.parquet, beside=beside)
            with clock.stage("pages"):
                for page in drawn():
                    (folder / page.file).write_text(page.text, encoding="utf-8")
        write_manifest(folder, report, tuple(clock.stages))
    aside = int(report.intake.get_column("set_aside").sum())
    text = "\n".join([*terminal_summary(report, order.out), *CAUTIONS])
    return Audited(report, text, aside)


def standard_for(log: Log, path: str | None) -> Standard:
    """The shop's standard, which may read the log's own fields, else the built-in one."""
    return built_in() if path is None else read_standard(path, [own.name for own in log.own_fields])
