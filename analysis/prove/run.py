"""A proof from first workshop to finished folder: spread over processes or a cluster, resumable."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path

from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from analysis.output import MANIFEST, OutputPlace, claim_folder, csv_text, run_marker
from analysis.pages import proof_page
from analysis.prove.measures import proof
from analysis.prove.one_workshop import Fact, SimulationResult, audit_simulation
from analysis.prove.scenarios import Scenario, proof_scenarios
from schemas.outputs import Prove


def run_proof(
    out: Path, workshops: int, sessions: int, cluster: str | None, progress: Callable[[str], None]
) -> DataFrame[Prove]:
    """Audit every world, over processes or an existing Dask cluster, and write tables/prove.csv and prove.html.

    Worlds already held by a run that was cut short are taken from beside `out`.

    Raises
    ------
    UserError
        The folder cannot be written, or the cluster cannot be reached.
    """
    worlds = proof_scenarios(workshops, sessions)
    with claim_folder(out, "proof") as place, _results(place.target) as cache:
        remaining = [world for world in worlds if not (cache / f"{world.name}.json").exists()]
        for number, (world, one) in enumerate(_audited(remaining, cluster), 1):
            _write_result(cache / f"{world.name}.json", one)
            progress(f"{number} of {len(remaining)} workshops held against the truth")
        table = proof([_read_result(cache / f"{world.name}.json") for world in worlds])
        _write(place, table)
        for world in worlds:
            (cache / f"{world.name}.json").unlink(missing_ok=True)
    return table


@contextmanager
def _results(target: Path) -> Iterator[Path]:
    """The folder next to the proof's where results are kept until all are there; it goes once it is empty."""
    cache = target.with_name(f".{target.name}.worlds")
    try:
        cache.mkdir(exist_ok=True)
    except OSError as error:
        raise UserError(
            str(cache),
            f"cannot be used for results: {error.strerror}",
            "a folder",
            "move it away, or name another --out",
        ) from error
    try:
        yield cache
    finally:
        with suppress(OSError):
            cache.rmdir()


def _write_result(path: Path, one: SimulationResult) -> None:
    """Whole or not at all: a run killed here reads it again."""
    unfinished = path.with_suffix(".unfinished")
    unfinished.write_text(json.dumps(asdict(one)), encoding="utf-8")
    unfinished.replace(path)


def _write(place: OutputPlace, table: DataFrame[Prove]) -> None:
    with place.write() as folder:
        (folder / "tables").mkdir()
        (folder / "tables" / "prove.csv").write_text(csv_text(table), encoding="utf-8")
        page = proof_page(table)
        (folder / page.file).write_text(page.text, encoding="utf-8")
        (folder / MANIFEST).write_text(run_marker(), encoding="utf-8")


def _read_result(path: Path) -> SimulationResult:
    saved = json.loads(path.read_text("utf-8"))
    return SimulationResult(**{**saved, "facts": [Fact(**fact) for fact in saved["facts"]]})


def _audited(scenarios: list[Scenario], cluster: str | None) -> Iterator[tuple[Scenario, SimulationResult]]:
    """Worlds audited side by side, each told as it ends."""
    import joblib

    if cluster is None:
        run = joblib.Parallel(n_jobs=-1, return_as="generator", inner_max_num_threads=1)
        yield from zip(scenarios, run(joblib.delayed(audit_simulation)(world) for world in scenarios), strict=True)
        return
    from analysis.prove.cluster import connected

    with connected(cluster) as client:
        futures = client.map(audit_simulation, scenarios, pure=False)
        yield from zip(scenarios, client.gather(futures), strict=True)
