"""Read exports and what an audit takes from the one before, audit them and write the folder: tables, log, charts, pages."""

from __future__ import annotations

import datetime as dt
import importlib
import random
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from analysis.audit import AuditSettings, run_stages
from analysis.audit_options import AuditOptions
from analysis.drawing import warm_up_renderer
from analysis.errors import UserError
from analysis.intake import Log, normalise, read_log, read_small_text
from analysis.output import (
    NameSearch,
    OutputPlace,
    assign_codes,
    claim_folder,
    csv_text,
    field_names_with_codes,
    hide_names_in_standard,
    key_path,
    pseudonymise,
    read_earlier,
    read_key,
    read_proof,
    replacements_in_column,
    write_key,
    write_log,
    write_manifest,
    write_tables,
)
from analysis.parallel import SERIAL, BrokenProcessPool, Executor, WorkerExecutor
from analysis.report import Clock, Report
from analysis.rounds import EarlierAudit, to_do_list
from analysis.sheet import write_to_do
from analysis.standard import Standard, built_in, read_standards
from analysis.survival import ObservationWindow, RecordingSpan

MAX_BLEEDS_TO_SHARE = 1_500_000
"""Bleeds; a log with more is audited in one process, since the memory of a second copy may not be there."""


def import_classifier(name: str) -> Any:
    """The scikit-learn classifier that `module:name` means, from the current folder or an installed package.

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
    except (ImportError, AttributeError, TypeError, ValueError) as error:
        raise UserError("--classifier", f"{name}: {error}", expected, "correct the name") from error
    finally:
        sys.path.pop(0)
    classifier = value() if isinstance(value, type) else value
    if not (hasattr(classifier, "fit") and hasattr(classifier, "predict_proba") and hasattr(classifier, "get_params")):
        raise UserError(
            "--classifier", f"{name} is a {type(classifier).__name__}", expected, "wrap it, or name another"
        )
    return classifier


def read_letter_text(path: str) -> str:
    """The workshop's own words for a recall, checked before the long work begins.

    Raises
    ------
    UserError
        The file cannot be read, or has an unknown field.
    """
    from analysis.pages import letter_template

    return letter_template(read_small_text(path, "a text file for --letter, in UTF-8"), path)


def read_earlier_audit(folder: Path, as_of: dt.date, names_hidden: bool) -> EarlierAudit:
    """The earlier audit, checked before the long work begins.

    Raises
    ------
    UserError
        The folder lacks something, or its key, or it cannot be compared (`EarlierAudit.require_comparable`).
    """
    earlier = read_earlier(folder)
    earlier.require_comparable(as_of, names_hidden)
    if earlier.names_hidden and not key_path(folder).exists():
        raise UserError(
            f"--since {folder}",
            f"has codes for names, but its key {key_path(folder).name} is not next to it",
            "the key that the earlier audit wrote",
            "put the key next to that folder",
        )
    return earlier


def read_known_codes(options: AuditOptions) -> dict[str, str]:
    """Codes from the key next to the folder to write, and from that of the earlier audit, which come first."""
    earlier = {} if options.since is None else read_key(key_path(options.since))
    own = read_key(key_path(options.out))
    return earlier | {name: code for name, code in own.items() if name not in earlier and code not in earlier.values()}


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
        return _audit_and_write(options, place, Clock(progress), executor)


def _audit_and_write(options: AuditOptions, place: OutputPlace, clock: Clock, executor: Executor) -> AuditResult:
    if options.letter is not None:
        options = replace(options, letter=read_letter_text(options.letter))
    with clock.stage("read"):
        log = read_log(options.exports, options.map_path, options.as_of, options.today, options.groups)
        standard = choose_standard(log, *options.standard_paths)
        window = observation_window(log, options)
        classifiers = {name: import_classifier(name) for name in options.classifiers}
    proof = None if options.proof is None else read_proof(options.proof)
    earlier = None if options.since is None else read_earlier_audit(options.since, log.as_of, options.hide_names)
    if options.hide_names:
        options, log, standard, window = _with_codes(options, log, standard, window)
    fields = tuple(name for name in map(normalise, options.groups) if name in log.sessions.columns)
    settings = AuditSettings(
        options.window_days, options.seed, window, options.hide_names, fields, earlier, options.extra, classifiers
    )
    if len(log.sessions) > MAX_BLEEDS_TO_SHARE:
        executor = SERIAL
    report = replace(_run_with_retry(log, standard, settings, clock, executor), proof=proof)
    _write_folder(place, report, clock, executor, options)
    from analysis.pages import CAUTIONS, terminal_summary

    text = "\n".join([*terminal_summary(report, options.out), *CAUTIONS])
    return AuditResult(report, text, int(report.intake.get_column("set_aside").sum()))


def _with_codes(
    options: AuditOptions, log: Log, standard: Standard, window: ObservationWindow
) -> tuple[AuditOptions, Log, Standard, ObservationWindow]:
    """All of them with people's names replaced by codes; writes the key."""
    key = assign_codes(log, read_known_codes(options), random.SystemRandom())
    letter = None if options.letter is None else NameSearch(key).hide(options.letter)
    write_key(key_path(options.out), key)
    options = replace(options, extra=field_names_with_codes(options.extra, log, key), letter=letter)
    shops = replacements_in_column("shop", log, key)
    window = replace(window, shops={shops.get(shop, shop): span for shop, span in window.shops.items()})
    return options, pseudonymise(log, key), hide_names_in_standard(standard, log, key), window


def write_report(report: Report, out: str | Path, *, parquet: bool = False) -> Path:
    """Write the folder that `rebleed audit` writes, and return its first page.

    Parameters
    ----------
    report
        The results.
    out
        The folder. One from an earlier run is replaced, unless its files were edited or the report is compared with it.
    parquet
        Whether to write the tables as Parquet files too.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    inputs = (*(source.file for source in report.log.sources), report.earlier_folder)
    with claim_folder(Path(out), "audit", inputs) as place:
        _write_folder(place, report, Clock(), SERIAL, AuditOptions((), Path(out), parquet=parquet))
    return Path(out) / "index.html"


def _run_with_retry(log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor) -> Report:
    """The results of the audit; after a crash of the worker all stages are repeated in this process."""
    try:
        return run_stages(log, standard, settings, clock, executor)
    except BrokenProcessPool:
        return run_stages(log, standard, settings, clock)


def _write_folder(place: OutputPlace, report: Report, clock: Clock, executor: Executor, options: AuditOptions) -> None:
    """Write the folder; a thread writes the log while the executor draws the charts."""
    if options.pages and isinstance(executor, WorkerExecutor):
        executor.submit(warm_up_renderer)
    with place.write() as folder:
        with ThreadPoolExecutor(1) as thread:
            log_written = thread.submit(write_log, folder, report.log)
            with clock.stage("charts"):
                from analysis.pages import (  # imports the chart library while the worker loads its renderer
                    prepare_pages,
                    recall_letters,
                )

                pages = prepare_pages(report, executor) if options.pages else tuple
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
                ", ".join(sorted(shops)) or "a log that records the workshop of each bleed",
                "write SHOP=DATE with the name as it is in the log",
            )
    spans = {name: RecordingSpan(first.get(name), last.get(name)) for name in requested}
    return ObservationWindow(first.get(None), last.get(None), spans)


def choose_standard(log: Log, *paths: str | None) -> Standard:
    """The procedure in the files, which may read custom fields of the log, or the built-in procedure."""
    files = [path for path in paths if path is not None]
    return read_standards(files, [own.name for own in log.own_fields]) if files else built_in()
