"""The demo and the simulation: exports of simulated workshops; the demo also audits them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from analysis.commands.demo_findings import demo_findings
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.intake import propose_map
from analysis.output import MANIFEST, OutputPlace, claim_folder, run_folder, run_marker, write_new_file
from synthetic import (
    CO_OPERATIVE,
    EXPORT_FORMATS,
    co_operative,
    scenario_workshop,
    simulate,
    write_export,
    write_simulation,
)

DEMO_SEED = 7
EXPORT_FORMAT = "bench_book"


def run_demo(out: Path, on_stage: Callable[[str], None], print_line: Callable[[str], None]) -> None:
    """Write the co-operative's exports, propose a map, audit them, and list which planted problems were found.

    Parameters
    ----------
    out
        The folder to write: exports/, map.toml, audit/, planted_problems.txt.
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
        out=out / "audit",
        map_path=str(out / "map.toml"),
        as_of=CO_OPERATIVE.as_of,
    )
    result = audit_exports(options, on_stage)
    place.record()
    print_line(result.text)
    lines = ["Planted problems and whether the audit found them:"]
    for finding in demo_findings(result.report, log.truth_planted):
        lines.append(f"  {finding.outcome:<12} {finding.subject}: {finding.description}")
    write_new_file(out / "planted_problems.txt", "\n".join(lines) + "\n")
    place.record()
    print_line("\n".join(["", *lines]))


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
