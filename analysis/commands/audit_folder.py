"""An audit with all it takes imported: exports read, audited, drawn, and written as one folder."""

from __future__ import annotations

import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from analysis.audit import SERIAL, AuditSettings, run_stages
from analysis.audit_options import AuditOptions
from analysis.drawing import warm_up_renderer
from analysis.errors import UserError
from analysis.intake import Log, read_log
from analysis.output import (
    OutputPlace,
    assign_codes,
    claim_folder,
    hidden_standard,
    key_path,
    pseudonymise,
    read_key,
    read_proof,
    write_key,
    write_log,
    write_manifest,
    write_tables,
)
from analysis.parallel import BrokenProcessPool, Executor, WorkerExecutor
from analysis.report import Clock, Report
from analysis.standard import Standard, built_in, read_standard
from analysis.survival import ObservationWindow, Span

MAX_ROWS_TO_SHARE = 1_500_000
"""Bleeds; of more a second process would need memory that an ordinary machine lacks."""


@dataclass(frozen=True)
class AuditResult:
    """The report, the text for the terminal, and how many rows were set aside."""

    report: Report
    text: str
    rows_set_aside: int


def audit_to_folder(order: AuditOptions, progress: Callable[[str], None], executor: Executor) -> AuditResult:
    """Do what `auditing.audit_exports` does, with this executor."""
    inputs = (*order.exports, order.map_path, order.standard_path, order.proof)
    with claim_folder(order.out, "audit", inputs) as place:
        return _audit(order, place, Clock(progress), executor)


def _audit(order: AuditOptions, place: OutputPlace, clock: Clock, executor: Executor) -> AuditResult:
    with clock.stage("read"):
        log = read_log(order.exports, order.map_path, order.as_of)
        standard = standard_for(log, order.standard_path)
        covered = covered_days(log, order)
    proof = None if order.proof is None else read_proof(order.proof)
    if order.hide_names:
        key = assign_codes(log, read_key(key_path(order.out)), random.SystemRandom())
        log, standard = pseudonymise(log, key), hidden_standard(standard, log, key)
        write_key(key_path(order.out), key)
    settings = AuditSettings(order.window_days, order.seed, covered, order.hide_names)
    if len(log.sessions) > MAX_ROWS_TO_SHARE:
        executor = SERIAL
    report = replace(_report(log, standard, settings, clock, executor), proof=proof)
    _write(place, report, clock, executor, parquet=order.parquet)
    from analysis.pages import CAUTIONS, terminal_summary

    text = "\n".join([*terminal_summary(report, order.out), *CAUTIONS])
    return AuditResult(report, text, int(report.intake.get_column("set_aside").sum()))


def _report(log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor) -> Report:
    """The audit's results; a worker that dies costs time only."""
    try:
        return run_stages(log, standard, settings, clock, executor)
    except BrokenProcessPool:
        return run_stages(log, standard, settings, clock)


def _write(place: OutputPlace, report: Report, clock: Clock, executor: Executor, *, parquet: bool) -> None:
    """Write the folder, the log in a thread and the pictures drawn by the executor meanwhile."""
    if isinstance(executor, WorkerExecutor):
        executor.submit(warm_up_renderer)
    with place.write() as folder:
        with ThreadPoolExecutor(1) as thread:
            log_written = thread.submit(write_log, folder, report.log)
            with clock.stage("charts"):
                from analysis.pages import render_pages  # the chart library is imported while the worker warms up

                pages = render_pages(report, executor)
            with clock.stage("tables"):
                write_tables(folder, report, parquet=parquet)
                log_written.result()
        with clock.stage("pages"):
            for page in pages():
                (folder / page.file).write_text(page.text, encoding="utf-8")
        write_manifest(folder, report, tuple(clock.stages))


def covered_days(log: Log, order: AuditOptions) -> ObservationWindow:
    """The days on which returns were recorded, as the options say.

    Raises
    ------
    UserError
        The log has no shop of that name.
    """
    first, last = dict(order.returns_from), dict(order.returns_to)
    shops = set(log.sessions.get_column("shop").drop_nulls())
    named = sorted(name for name in {*first, *last} if name is not None)
    for name in named:
        if name not in shops:
            raise UserError(
                "--returns-from, --returns-to",
                f"no shop is called {name!r}",
                ", ".join(sorted(shops)) or "a log whose bleeds name their shop",
                "write SHOP=DATE with the shop's name as the log has it",
            )
    spans = {name: Span(first.get(name), last.get(name)) for name in named}
    return ObservationWindow(first.get(None), last.get(None), spans)


def standard_for(log: Log, path: str | None) -> Standard:
    """The shop's standard, which may read the log's own fields, else the built-in one."""
    return built_in() if path is None else read_standard(path, [own.name for own in log.own_fields])
