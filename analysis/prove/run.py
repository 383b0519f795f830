"""A proof from first workshop to finished folder: spread over processes or a cluster, resumable."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path

from pandera.typing.polars import DataFrame

from analysis.errors import CannotRun
from analysis.output import MANIFEST, OutputPlace, claim_folder, csv_text, mark_text
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
    worlds = proof_worlds(workshops, sessions)
    with claim_folder(out, "proof") as place, _results(place.target) as cache:
        left = [world for world in worlds if not (cache / f"{world.name}.json").exists()]
        for number, (world, one) in enumerate(_spread(left, cluster), 1):
            _write_result(cache / f"{world.name}.json", one)
            told(f"{number} of {len(left)} workshops held against the truth")
        table = proof([_read(cache / f"{world.name}.json") for world in worlds])
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
        raise CannotRun(
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


def _write_result(path: Path, one: Held) -> None:
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
        (folder / MANIFEST).write_text(mark_text(), encoding="utf-8")


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
    from analysis.prove.cluster import connected

    with connected(cluster) as client:
        futures = client.map(held, worlds, pure=False)
        yield from zip(worlds, client.gather(futures), strict=True)
