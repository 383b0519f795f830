"""Read exports, audit them and write the folder: tables, log, charts, pages."""

from __future__ import annotations

import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.audit import SERIAL, AuditSettings, run_stages
from analysis.audit_options import AuditOptions
from analysis.commands.earlier_round import earlier_audit, known_codes, letter_text
from analysis.commands.other_classifiers import import_classifier
from analysis.drawing import warm_up_renderer
from analysis.errors import UserError
from analysis.intake import Log, normalise, read_log
from analysis.output import (
    OutputPlace,
    assign_codes,
    claim_folder,
    csv_text,
    hidden_standard,
    key_path,
    pseudonymise,
    read_proof,
    write_key,
    write_log,
    write_manifest,
    write_tables,
)
from analysis.parallel import BrokenProcessPool, Executor, WorkerExecutor
from analysis.report import Clock, Report
from analysis.rounds import to_do_list
from analysis.sheet import write_to_do
from analysis.standard import Standard, built_in, read_standards
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
    inputs = (
        *options.exports, options.map_path, *options.standard_paths, options.proof, options.since, options.letter,
    )  # fmt: skip
    with claim_folder(options.out, "audit", inputs) as place:
        return _audit(options, place, Clock(progress), executor)


def _audit(options: AuditOptions, place: OutputPlace, clock: Clock, executor: Executor) -> AuditResult:
    if options.letter is not None:
        options = replace(options, letter=letter_text(options.letter))
    with clock.stage("read"):
        log = read_log(options.exports, options.map_path, options.as_of, options.today, options.groups)
        standard = standard_for(log, *options.standard_paths)
        window = observation_window(log, options)
        classifiers = {name: import_classifier(name) for name in options.classifiers}
    proof = None if options.proof is None else read_proof(options.proof)
    earlier = None if options.since is None else earlier_audit(options.since, log.as_of, options.hide_names)
    if options.hide_names:
        key = assign_codes(log, known_codes(options), random.SystemRandom())
        log, standard = pseudonymise(log, key), hidden_standard(standard, log, key)
        write_key(key_path(options.out), key)
    fields = tuple(name for name in map(normalise, options.groups) if name in log.sessions.columns)
    settings = AuditSettings(
        options.window_days, options.seed, window, options.hide_names, fields, earlier, options.extra, classifiers
    )
    if len(log.sessions) > MAX_BLEEDS_TO_SHARE:
        executor = SERIAL
    report = replace(_report(log, standard, settings, clock, executor), proof=proof)
    _write(place, report, clock, executor, options)
    from analysis.pages import CAUTIONS, terminal_summary

    text = "\n".join([*terminal_summary(report, options.out), *CAUTIONS])
    return AuditResult(report, text, int(report.intake.get_column("set_aside").sum()))


def write_report(report: Report, out: str | Path, *, parquet: bool = False) -> Path:
    """Write the folder that `rebleed audit` writes, and return its first page.

    Parameters
    ----------
    report
        The results.
    out
        The folder; one from an earlier run is replaced unless its files were edited or the report compares with it.
    parquet
        Whether to write the tables as Parquet too.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    inputs = (*(source.file for source in report.log.sources), report.earlier_folder)
    with claim_folder(Path(out), "audit", inputs) as place:
        _write(place, report, Clock(), SERIAL, AuditOptions((), Path(out), parquet=parquet))
    return Path(out) / "index.html"


def _report(log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor) -> Report:
    """The results of the audit; after a crash of the worker all stages are repeated in this process."""
    try:
        return run_stages(log, standard, settings, clock, executor)
    except BrokenProcessPool:
        return run_stages(log, standard, settings, clock)


def _write(place: OutputPlace, report: Report, clock: Clock, executor: Executor, options: AuditOptions) -> None:
    """Write the folder; a thread writes the log while the executor draws the charts."""
    if options.pages and isinstance(executor, WorkerExecutor):
        executor.submit(warm_up_renderer)
    with place.write() as folder:
        with ThreadPoolExecutor(1) as thread:
            log_written = thread.submit(write_log, folder, report.log)
            with clock.stage("charts"):
                from analysis.pages import (  # imports the chart library while the worker loads its renderer
                    recall_letters,
                    render_pages,
                )

                pages = render_pages(report, executor) if options.pages else tuple
            with clock.stage("tables"):
                write_tables(folder, report, parquet=options.parquet)
                to_do = to_do_list(report)
                (folder / "to_do.csv").write_text(csv_text(to_do), encoding="utf-8")
                write_to_do(folder / "to_do.xlsx", to_do, report.as_of)
                log_written.result()
        if options.pages:
            (folder / "recall_letters.txt").write_text(recall_letters(report, options.letter), encoding="utf-8")
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


def standard_for(log: Log, *paths: str | None) -> Standard:
    """The procedure in the files, which may read own fields of the log, or the built-in procedure."""
    files = [path for path in paths if path is not None]
    return read_standards(files, [own.name for own in log.own_fields]) if files else built_in()
