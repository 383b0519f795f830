"""The demo: a made-up co-operative's exports, audited like any other, and which of its planted stories were found."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from analysis.auditing import AuditOrder, audit_exports
from analysis.intake import propose_map
from analysis.output import MANIFEST, OutputPlace, claim_folder, mark_text, run_folder, write_new_file
from analysis.stories import story_findings
from synthetic import CO_OPERATIVE, MANNERS, Workshop, co_operative, family, made, write_export, write_made

DEMO_SEED = 7
MANNER = "bench_book"


def run_demo(out: Path, told: Callable[[str], None], tell: Callable[[str], None]) -> None:
    """Make the co-operative's exports, propose a map, audit them, and say which planted stories were found.

    Parameters
    ----------
    out
        The folder to make: exports/, map.toml, audit/.
    told
        Is told each stage while it works.
    tell
        Is told what a reader should see at the end, line by line.

    Raises
    ------
    CannotRun
        The folder cannot be written.
    """
    with claim_folder(out, "demo") as place:
        _run_demo(out, place, told, tell)


def _run_demo(out: Path, place: OutputPlace, told: Callable[[str], None], tell: Callable[[str], None]) -> None:
    told("making the co-operative's exports")
    log = co_operative(DEMO_SEED)
    with place.write() as folder:
        exported = write_export(log, folder / "exports", MANNERS[MANNER], DEMO_SEED)
        files = [str(path) for path in exported.files]
        told("proposing a map")
        proposed = propose_map(files)
        (folder / "map.toml").write_text(proposed.toml, encoding="utf-8")
        (folder / MANIFEST).write_text(mark_text(as_of=CO_OPERATIVE.as_of), encoding="utf-8")
    tell(f"Made the exports of a made-up co-operative: {out / 'exports'}; proposed a map: {out / 'map.toml'}.")
    order = AuditOrder(
        exports=tuple(str(out / "exports" / path.name) for path in exported.files),
        out=out / "audit",
        map_path=str(out / "map.toml"),
        as_of=CO_OPERATIVE.as_of,
    )
    found = audit_exports(order, told)
    place.record()
    tell(found.text)
    stories = ["What was planted in this made-up log, and what the audit made of it:"]
    for finding in story_findings(found.report, log.truth_stories):
        stories.append(f"  {finding.outcome:<14} {finding.story}. {finding.who}: {finding.what}")
    write_new_file(out / "stories.txt", "\n".join(stories) + "\n")
    place.record()
    tell("\n".join(["", *stories]))


def run_simulation(out: Path, sessions: int, seed: int, no_effect: bool) -> None:
    """Write a simulated workshop with its truth.

    Raises
    ------
    CannotRun
        The folder cannot be written.
    """
    world: Workshop = family("no step matters" if no_effect else "base", sessions)
    with run_folder(out, "simulation") as folder:
        write_made(made(world, seed), folder)
