"""The demo and the simulation: exports of simulated workshops; the demo also audits them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import polars as pl

from analysis.commands.demo_findings import demo_findings
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.intake import propose_map
from analysis.output import MANIFEST, OutputPlace, claim_folder, csv_text, run_folder, run_marker, write_new_file
from schemas import empty
from schemas.log import Actions
from synthetic import (
    CO_OPERATIVE,
    EXPORT_FORMATS,
    SimulatedLog,
    co_operative,
    fill_in,
    leave_out_returns,
    scenario_workshop,
    simulate,
    write_export,
    write_simulation,
)

DEMO_SEED = 7
EXPORT_FORMAT, RETURNS_FILE = "bench_book", "came-back.csv"
LAST_MONTH = dt.date(2026, 5, 31)
"""The last day of the demo's first audit; the second one is a month later."""


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
        (folder / MANIFEST).write_text(run_marker(as_of=CO_OPERATIVE.as_of), encoding="utf-8")
    print_line(f"Wrote the exports to {out / 'exports'} and a proposed map to {out / 'map.toml'}.")
    options = AuditOptions(
        exports=tuple(str(out / "exports" / path.name) for path in exported.files),
        out=out / "last-month",
        map_path=str(out / "map.toml"),
        as_of=LAST_MONTH,
        pages=False,
    )
    audit_exports(options, on_stage)
    place.record()
    done = _act_on_list(out, log)
    place.record()
    exports = (*options.exports, str(done))
    now = replace(options, exports=exports, out=out / "audit", as_of=CO_OPERATIVE.as_of, since=options.out, pages=True)
    result = audit_exports(now, on_stage)
    place.record()
    print_line(result.text)
    lines = ["Planted problems and whether the audit found them:"]
    for finding in demo_findings(result.report, log.truth_planted):
        lines.append(f"  {finding.outcome:<12} {finding.subject}: {finding.description}")
    write_new_file(out / "planted_problems.txt", "\n".join(lines) + "\n")
    place.record()
    print_line("\n".join(["", *lines]))


def _act_on_list(out: Path, log: SimulatedLog) -> Path:
    """Fill in last month's list as the simulated workshop did, and take out the returns that its checks prevented."""
    schema = empty(Actions).schema
    to_do = pl.read_csv(out / "last-month" / "to_do.csv", schema_overrides=schema)
    done = fill_in(to_do, log, LAST_MONTH, DEMO_SEED)
    leave_out_returns(out / "exports" / RETURNS_FILE, done.prevented, EXPORT_FORMATS[EXPORT_FORMAT].encoding)
    path = out / "exports" / "recalls-and-checks.csv"
    path.write_text(csv_text(done.actions), encoding="utf-8")
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
