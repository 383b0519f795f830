"""The demo and the simulation: exports of simulated workshops, the demo's audit, what it found, and its notebooks."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

import analysis
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.errors import UserError
from analysis.intake import propose_map
from analysis.output import (
    MANIFEST,
    OutputPlace,
    cannot_write_error,
    claim_folder,
    csv_text,
    run_folder,
    run_manifest_text,
    write_new_file,
)
from analysis.report import Report
from schemas import empty
from schemas.log import Actions
from synthetic import (
    CO_OPERATIVE,
    EXPORT_FORMATS,
    SimulatedLog,
    co_operative,
    fill_in_list,
    leave_out_returns,
    scenario_workshop,
    simulate,
    write_export,
    write_simulation,
)

if TYPE_CHECKING:
    from analysis.commands.audit_folder import AuditResult

DEMO_SEED = 7
EXPORT_FORMAT, RETURNS_FILE = "bench_book", "came-back.csv"
LAST_MONTH = dt.date(2026, 5, 31)
"""The last day of the demo's first audit; the second one is a month later."""
DETECTED, MISSED, FALSE_ALARM = "found", "missed", "false alarm"
MONTHS_TOLERANCE = 3
"""A change is found if its estimated month is at most this far from the true one."""
MIN_BLEEDS = 30
"""Fully followed bleeds of a technician whose unadjusted rate is compared."""
TOP_RANK = 4
"""The costly steps must have this rank or a higher one."""
DEMO_FOLDER = "../rebleed-demo"
"""Where the notebooks look for the demo as they are kept here."""


def run_demo(out: Path, on_stage: Callable[[str], None], print_line: Callable[[str], None]) -> None:
    """Write the co-operative's exports, propose a map, audit them, and list which planted problems were found.

    Parameters
    ----------
    out
        The folder to write: exports/, map.toml, last-month/ (the tables of an audit a month before), audit/,
        planted_problems.txt.
    on_stage
        Called with the name of each stage as it begins.
    print_line
        Called with each paragraph of the result.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    with claim_folder(out, "demo") as place:
        _run_demo(out, place, on_stage, print_line)


def _run_demo(
    out: Path, place: OutputPlace, on_stage: Callable[[str], None], print_line: Callable[[str], None]
) -> None:
    on_stage("simulating the exports")
    log = co_operative(DEMO_SEED)
    with place.write() as folder:
        exported = write_export(log, folder / "exports", EXPORT_FORMATS[EXPORT_FORMAT], DEMO_SEED)
        files = [str(path) for path in exported.files]
        on_stage("proposing a map")
        proposed = propose_map(files)
        (folder / "map.toml").write_text(proposed.toml, encoding="utf-8")
        (folder / MANIFEST).write_text(run_manifest_text(as_of=CO_OPERATIVE.as_of), encoding="utf-8")
    print_line(f"Wrote the exports to {out / 'exports'} and a proposed map to {out / 'map.toml'}.")
    options = AuditOptions(
        exports=tuple(str(out / "exports" / path.name) for path in exported.files),
        out=out / "last-month",
        map_path=str(out / "map.toml"),
        as_of=LAST_MONTH,
        pages=False,
    )
    try:
        result = _audit_twice(out, place, options, log, on_stage)
    except (KeyboardInterrupt, SystemExit) as end:
        place.record()
        end.add_note(f"finished parts are kept in {out}; the next demo replaces them")
        raise
    print_line(result.text)
    lines = ["Planted problems and whether the audit found them:"]
    for finding in demo_findings(result.report, log.truth_planted):
        lines.append(f"  {finding.outcome:<12} {finding.subject}: {finding.description}")
    write_new_file(out / "planted_problems.txt", "\n".join(lines) + "\n")
    place.record()
    print_line("\n".join(["", *lines]))


def _audit_twice(
    out: Path, place: OutputPlace, options: AuditOptions, log: SimulatedLog, on_stage: Callable[[str], None]
) -> AuditResult:
    """Last month's audit, what the workshop did about its list, and this month's audit."""
    audit_exports(options, on_stage)
    place.record()
    done = act_on_list(out, log)
    place.record()
    exports = (*options.exports, str(done))
    now = replace(options, exports=exports, out=out / "audit", as_of=CO_OPERATIVE.as_of, since=options.out, pages=True)
    result = audit_exports(now, on_stage)
    place.record()
    return result


def act_on_list(out: Path, log: SimulatedLog) -> Path:
    """Fill in last month's list as the simulated workshop did, and take out the returns that its checks prevented."""
    schema = empty(Actions).schema
    to_do = pl.read_csv(out / "last-month" / "to_do.csv", schema_overrides=schema)
    done = fill_in_list(to_do, log, LAST_MONTH, DEMO_SEED)
    leave_out_returns(out / "exports" / RETURNS_FILE, done.prevented, EXPORT_FORMATS[EXPORT_FORMAT].encoding)
    path = out / "exports" / "recalls-and-checks.csv"
    try:
        path.write_text(csv_text(done.actions), encoding="utf-8")
    except OSError as error:
        raise cannot_write_error(path, error) from error
    return path


def run_simulation(out: Path, sessions: int, seed: int, no_effect: bool) -> None:
    """Write a simulated workshop with its true effects.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    workshop = scenario_workshop("no step matters" if no_effect else "base", sessions)
    with run_folder(out, "simulation") as folder:
        write_simulation(simulate(workshop, seed), folder)


@dataclass(frozen=True)
class DemoFinding:
    """One planted problem or false alarm: whom it concerns, what it is, and `DETECTED`, `MISSED` or `FALSE_ALARM`."""

    subject: str
    description: str
    outcome: str


def demo_findings(report: Report, planted: pl.DataFrame) -> list[DemoFinding]:
    """Compare the report with each planted problem, then list signals that nobody planted.

    `planted` has kind, subject, month (counted from the first of the log; may be empty) and description.
    """
    results = []
    for kind, subject, month, description in planted.select("kind", "subject", "month", "description").iter_rows():
        outcome = DETECTED if _CHECKS[kind](report, subject, month) else MISSED
        results.append(DemoFinding(_subject_text(report, subject), description, outcome))
    return results + _false_alarms(report, planted)


def _subject_text(report: Report, subject: str) -> str:
    """The subject; for steps, what went wrong."""
    titles = {step.id: f"“{step.missed_title}”" for step in report.standard.steps}
    words = subject.split()
    return ", ".join(titles[word] for word in words) if all(word in titles for word in words) else subject


def _technician_signal(report: Report, technician: str) -> str:
    row = report.rates.filter(pl.col("kind") == "technician", pl.col("group") == technician)
    return str(row.get_column("signal")[0]) if row.height else "absent"


def _is_cleared(report: Report, subject: str, _: int | None) -> bool:
    """The highest unadjusted rate, and no signal once the work is allowed for."""
    people = report.rates.filter(pl.col("kind") == "technician", pl.col("mature") >= MIN_BLEEDS)
    by_rate = people.sort("rate", descending=True).get_column("group")
    return by_rate.len() > 0 and by_rate[0] == subject and _technician_signal(report, subject) == "none"


def _has_high_signal(report: Report, subject: str, _: int | None) -> bool:
    return _technician_signal(report, subject) == "high"


def _costly_steps_are_found(report: Report, subject: str, _: int | None) -> bool:
    costly = report.steps.filter(pl.col("rank") <= TOP_RANK, pl.col("verdict") == "costs_comebacks")
    return set(subject.split()) <= set(costly.get_column("step"))


def _harmless_steps_are_cleared(report: Report, subject: str, _: int | None) -> bool:
    rows = report.steps.filter(pl.col("step").is_in(subject.split()))
    return not rows.get_column("verdict").is_in(["costs_comebacks", "goes_with_comebacks", "suspected"]).any()


def _change_is_found(report: Report, subject: str, month: int | None) -> bool:
    own = report.months.filter(pl.col("group") == subject).sort("month").with_row_index("number", offset=1)
    estimates = own.filter("change_began").get_column("number").to_list()
    return month is not None and any(abs(estimate - month) <= MONTHS_TOLERANCE for estimate in estimates)


def _coaching_worked(report: Report, subject: str, _: int | None) -> bool:
    row = report.coaching.filter(pl.col("technician") == subject)
    return row.filter("clear", pl.col("change") < 0).height > 0


def _coaching_failed(report: Report, subject: str, _: int | None) -> bool:
    row = report.coaching.filter(pl.col("technician") == subject, pl.col("change").is_not_null())
    return row.height > 0 and not _coaching_worked(report, subject, None)


def _make_flag_check(test: str) -> Callable[[Report, str, int | None], bool]:
    def check(report: Report, subject: str, _: int | None) -> bool:
        return report.credibility.filter(pl.col("technician") == subject, pl.col("test") == test, "flag").height > 0

    return check


def _make_recall_check(*rules: str) -> Callable[[Report, str, int | None], bool]:
    def check(report: Report, _subject: str, _: int | None) -> bool:
        return set(rules) <= set(report.holds.get_column("rule"))

    return check


def _wear_is_noted(report: Report, subject: str, _: int | None) -> bool:
    return any(subject in note and "wear" in note for note in report.notes)


_CHECKS: dict[str, Callable[[Report, str, int | None], bool]] = {
    "hard_work": _is_cleared,
    "easy_work": _has_high_signal,
    "costly_steps": _costly_steps_are_found,
    "harmless_steps": _harmless_steps_are_cleared,
    "change": _change_is_found,
    "coaching_worked": _coaching_worked,
    "coaching_failed": _coaching_failed,
    "copied_entries": _make_flag_check("copied_entries"),
    "rounded_readings": _make_flag_check("favourite_digits"),
    "wrong_fluids": _make_recall_check("wrong_fluid", "wrong_kit"),
    "soft_levers": _make_recall_check("not_firm"),
    "late_wear": _wear_is_noted,
}


def _false_alarms(report: Report, planted: pl.DataFrame) -> list[DemoFinding]:
    """Signals on people, flags and changes that concern nobody of the planted problems."""
    planted_subjects = set(planted.get_column("subject"))
    people = report.rates.filter(pl.col("kind") == "technician", pl.col("signal").is_in(["high", "low"]))
    flags = report.credibility.filter("flag").get_column("technician").unique().sort()
    changes = report.months.filter("change_began", pl.col("kind") == "shop").get_column("group")
    signals = [
        *(
            (name, f"{'more' if signal == 'high' else 'fewer'} comebacks than expected for the work")
            for name, signal in people.select("group", "signal").iter_rows()
        ),
        *((name, "unusual recording pattern") for name in flags),
        *((name, "change in the comeback rate") for name in changes),
    ]
    return [
        DemoFinding(subject, description, FALSE_ALARM)
        for subject, description in signals
        if subject not in planted_subjects
    ]


def write_notebooks(folder: Path, demo: Path) -> list[Path]:
    """Write each notebook that is not there yet; those that are there, edited or not, stay as they are.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    files = [folder / source.name for source in notebooks()]
    for source, file in zip(notebooks(), files, strict=True):
        if not file.exists():
            write_new_file(file, _set_demo_folder(source.read_text("utf-8"), demo.absolute()))
    return files


def notebooks() -> list[Path]:
    """The notebooks of this installation: those of the source tree, or those included in the wheel."""
    top = Path(analysis.__file__).parents[1]
    place = next((folder for folder in (top / "notebooks", top / "rebleed" / "notebooks") if folder.is_dir()), None)
    if place is None:
        raise UserError("the notebooks", "are not part of this installation", "an installed wheel", "install it again")
    return sorted(place.glob("*.ipynb"))


def _set_demo_folder(text: str, demo: Path) -> str:
    """The notebook with the demo's folder in place of the one that it is kept with."""
    notebook = json.loads(text)
    for cell in notebook["cells"]:
        if "parameters" in cell["metadata"].get("tags", []):
            cell["source"] = "".join(cell["source"]).replace(DEMO_FOLDER, demo.as_posix())
    return json.dumps(notebook, indent=1, ensure_ascii=False) + "\n"
