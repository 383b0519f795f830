"""Read exports, audit them and write the folder: tables, log, charts, pages."""

from __future__ import annotations

import importlib
import random
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

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

MAX_BLEEDS_TO_SHARE = 1_500_000
"""Bleeds; a log with more is audited in one process, since the memory of a second copy may not be there."""


@dataclass(frozen=True)
class AuditResult:
    """The report, the text for the terminal and the number of rejected rows."""

    report: Report
    text: str
    rows_set_aside: int


def audit_to_folder(options: AuditOptions, progress: Callable[[str], None], executor: Executor) -> AuditResult:
    """Read, audit and write one folder with this executor; see `run_audit.audit_exports`."""
    inputs = (*options.exports, options.map_path, options.standard_path, options.proof)
    with claim_folder(options.out, "audit", inputs) as place:
        return _audit(options, place, Clock(progress), executor)


def _audit(options: AuditOptions, place: OutputPlace, clock: Clock, executor: Executor) -> AuditResult:
    with clock.stage("read"):
        log = read_log(options.exports, options.map_path, options.as_of)
        standard = standard_for(log, options.standard_path)
        window = observation_window(log, options)
        classifiers = {name: import_classifier(name) for name in options.classifiers}
    proof = None if options.proof is None else read_proof(options.proof)
    if options.hide_names:
        key = assign_codes(log, read_key(key_path(options.out)), random.SystemRandom())
        log, standard = pseudonymise(log, key), hidden_standard(standard, log, key)
        write_key(key_path(options.out), key)
    settings = AuditSettings(options.window_days, options.seed, window, options.hide_names, options.extra, classifiers)
    if len(log.sessions) > MAX_BLEEDS_TO_SHARE:
        executor = SERIAL
    report = replace(_report(log, standard, settings, clock, executor), proof=proof)
    _write(place, report, clock, executor, parquet=options.parquet)
    from analysis.pages import CAUTIONS, terminal_summary

    text = "\n".join([*terminal_summary(report, options.out), *CAUTIONS])
    return AuditResult(report, text, int(report.intake.get_column("set_aside").sum()))


def _report(log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor) -> Report:
    """The results of the audit; after a crash of the worker all stages are repeated in this process."""
    try:
        return run_stages(log, standard, settings, clock, executor)
    except BrokenProcessPool:
        return run_stages(log, standard, settings, clock)


def _write(place: OutputPlace, report: Report, clock: Clock, executor: Executor, *, parquet: bool) -> None:
    """Write the folder; a thread writes the log while the executor draws the charts."""
    if isinstance(executor, WorkerExecutor):
        executor.submit(warm_up_renderer)
    with place.write() as folder:
        with ThreadPoolExecutor(1) as thread:
            log_written = thread.submit(write_log, folder, report.log)
            with clock.stage("charts"):
                from analysis.pages import render_pages  # imports the chart library while the worker loads its renderer

                pages = render_pages(report, executor)
            with clock.stage("tables"):
                write_tables(folder, report, parquet=parquet)
                log_written.result()
        with clock.stage("pages"):
            for page in pages():
                (folder / page.file).write_text(page.text, encoding="utf-8")
        write_manifest(folder, report, tuple(clock.stages))


def observation_window(log: Log, options: AuditOptions) -> ObservationWindow:
    """The days on which returns were recorded, by workshop.

    Raises
    ------
    UserError
        The log has no workshop of that name.
    """
    first, last = dict(options.returns_from), dict(options.returns_to)
    shops = set(log.sessions.get_column("shop").drop_nulls())
    requested = sorted(name for name in {*first, *last} if name is not None)
    for name in requested:
        if name not in shops:
            raise UserError(
                "--returns-from, --returns-to",
                f"no workshop is called {name!r}",
                ", ".join(sorted(shops)) or "a log whose bleeds name their workshop",
                "write SHOP=DATE with the name as it is in the log",
            )
    spans = {name: Span(first.get(name), last.get(name)) for name in requested}
    return ObservationWindow(first.get(None), last.get(None), spans)


def import_classifier(name: str) -> Any:
    """The classifier of scikit-learn that `module:name` means, from the current folder or an installed package.

    Raises
    ------
    UserError
        It cannot be imported, or is no classifier with `predict_proba`.
    """
    module, _, attribute = name.partition(":")
    expected = "module:name of a scikit-learn classifier with predict_proba, for example my_models:forest"
    try:
        sys.path.insert(0, str(Path.cwd()))
        value = getattr(importlib.import_module(module), attribute)
    except (ImportError, AttributeError, ValueError) as error:
        raise UserError("--classifier", f"{name}: {error}", expected, "correct the name") from error
    finally:
        sys.path.pop(0)
    classifier = value() if isinstance(value, type) else value
    if not (hasattr(classifier, "fit") and hasattr(classifier, "predict_proba") and hasattr(classifier, "get_params")):
        raise UserError(
            "--classifier", f"{name} is a {type(classifier).__name__}", expected, "wrap it, or name another"
        )
    return classifier


def standard_for(log: Log, path: str | None) -> Standard:
    """The procedure in the file, which may read own fields of the log, or the built-in procedure."""
    return built_in() if path is None else read_standard(path, [own.name for own in log.own_fields])
