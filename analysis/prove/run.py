"""A proof from first workshop to finished folder: spread over processes or a cluster, resumable."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

from pandera.typing.polars import DataFrame

from analysis.output import csv_text, mark_text, refuse_foreign, run_folder
from analysis.pages import proof_page
from analysis.prove.held import Fact, Held, held
from analysis.prove.measures import proof
from analysis.prove.worlds import World, proof_worlds
from schemas.outputs import Prove


def run_proof(
    out: Path, workshops: int, sessions: int, cluster: str | None, told: Callable[[str], None]
) -> DataFrame[Prove]:
    """Audit every world, over processes or an existing Dask cluster, and write tables/prove.csv and prove.html.

    Worlds already held by a run that was cut short are taken from beside `out`.

    Raises
    ------
    CannotRun
        The folder cannot be written, or the cluster cannot be reached.
    """
    refuse_foreign(out.absolute())
    cache = out.absolute().with_name(f".{out.name}.worlds")
    cache.mkdir(parents=True, exist_ok=True)
    worlds = proof_worlds(workshops, sessions)
    left = [world for world in worlds if not (cache / f"{world.name}.json").exists()]
    for number, (world, one) in enumerate(_spread(left, cluster), 1):
        (cache / f"{world.name}.json").write_text(json.dumps(asdict(one)), encoding="utf-8")
        told(f"{number} of {len(left)} workshops held against the truth")
    table = proof([_read(cache / f"{world.name}.json") for world in worlds])
    with run_folder(out) as folder:
        (folder / "tables").mkdir()
        (folder / "tables" / "prove.csv").write_text(csv_text(table), encoding="utf-8")
        page = proof_page(table)
        (folder / page.file).write_text(page.text, encoding="utf-8")
        (folder / "manifest.json").write_text(mark_text("proof"), encoding="utf-8")
    for world in worlds:
        (cache / f"{world.name}.json").unlink(missing_ok=True)
    cache.rmdir()
    return table


def _read(path: Path) -> Held:
    told = json.loads(path.read_text("utf-8"))
    return Held(**{**told, "facts": [Fact(**fact) for fact in told["facts"]]})


def _spread(worlds: list[World], cluster: str | None) -> Iterator[tuple[World, Held]]:
    """Worlds audited side by side, each told as it ends."""
    import joblib

    if cluster is None:
        run = joblib.Parallel(n_jobs=-1, return_as="generator", inner_max_num_threads=1)
        yield from zip(worlds, run(joblib.delayed(held)(world) for world in worlds), strict=True)
        return
    from analysis.cluster import connected

    with connected(cluster) as client:
        futures = client.map(held, worlds, pure=False)
        yield from zip(worlds, client.gather(futures), strict=True)
