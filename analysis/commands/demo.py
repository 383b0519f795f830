"""The demo: a made-up co-operative's exports, audited like any other, and which of its planted stories were found."""

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
    Workshop,
    co_operative,
    family,
    simulate,
    write_export,
    write_simulation,
)

DEMO_SEED = 7
EXPORT_FORMAT = "bench_book"


def run_demo(out: Path, on_stage: Callable[[str], None], report_line: Callable[[str], None]) -> None:
    """Make the co-operative's exports, propose a map, audit them, and say which planted stories were found.

    Parameters
    ----------
    out
        The folder to make: exports/, map.toml, audit/.
    on_stage
        Is told each stage while it works.
    report_line
        Is told what a reader should see at the end, line by line.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    with claim_folder(out, "demo") as place:
        _run_demo(out, place, on_stage, report_line)


def _run_demo(
    out: Path, place: OutputPlace, on_stage: Callable[[str], None], report_line: Callable[[str], None]
) -> None:
    on_stage("making the co-operative's exports")
    log = co_operative(DEMO_SEED)
    with place.write() as folder:
        exported = write_export(log, folder / "exports", EXPORT_FORMATS[EXPORT_FORMAT], DEMO_SEED)
        files = [str(path) for path in exported.files]
        on_stage("proposing a map")
        proposed = propose_map(files)
        (folder / "map.toml").write_text(proposed.toml, encoding="utf-8")
        (folder / MANIFEST).write_text(run_marker(as_of=CO_OPERATIVE.as_of), encoding="utf-8")
    report_line(f"Made the exports of a made-up co-operative: {out / 'exports'}; proposed a map: {out / 'map.toml'}.")
    order = AuditOptions(
        exports=tuple(str(out / "exports" / path.name) for path in exported.files),
        out=out / "audit",
        map_path=str(out / "map.toml"),
        as_of=CO_OPERATIVE.as_of,
    )
    result = audit_exports(order, on_stage)
    place.record()
    report_line(result.text)
    stories = ["What was planted in this made-up log, and what the audit made of it:"]
    for finding in demo_findings(result.report, log.truth_stories):
        stories.append(f"  {finding.outcome:<14} {finding.story}. {finding.subject}: {finding.description}")
    write_new_file(out / "stories.txt", "\n".join(stories) + "\n")
    place.record()
    report_line("\n".join(["", *stories]))


def run_simulation(out: Path, sessions: int, seed: int, no_effect: bool) -> None:
    """Write a simulated workshop with its truth.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    world: Workshop = family("no step matters" if no_effect else "base", sessions)
    with run_folder(out, "simulation") as folder:
        write_simulation(simulate(world, seed), folder)
