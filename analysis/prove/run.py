"""A validation from the first simulated workshop to the finished folder: in parallel, on a cluster if asked, resumable."""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pandera.typing.polars import DataFrame

from analysis.drawing import require_address_space
from analysis.errors import UserError
from analysis.output import MANIFEST, OutputPlace, cannot_write_error, claim_folder, csv_text, run_manifest_text
from analysis.pages import proof_page
from analysis.prove.measures import proof
from analysis.prove.one_workshop import MeasureOutcome, SimulationResult, audit_simulation
from analysis.prove.scenarios import ProofWorkshop, proof_workshops
from schemas.outputs import Prove


def run_proof(
    out: str | Path,
    workshops: int,
    sessions: int,
    cluster: str | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> DataFrame[Prove]:
    """Audit simulated workshops, in worker processes or on an existing Dask cluster; write tables/prove.csv and prove.html.

    An interrupted run is resumed from a hidden folder next to `out`.

    Raises
    ------
    UserError
        The folder cannot be written, or the cluster cannot be reached.
    """
    require_address_space()
    scenarios = proof_workshops(workshops, sessions)
    with claim_folder(Path(out), "proof") as place, _results_folder(place.target) as cache:
        remaining = [one for one in scenarios if not (cache / f"{one.name}.json").exists()]
        try:
            for number, (scenario, result) in enumerate(_audit_all(remaining, cluster), 1):
                _write_result(cache / f"{scenario.name}.json", result)
                progress(f"{number} of {len(remaining)} workshops audited")
        except (KeyboardInterrupt, SystemExit) as end:
            end.add_note(f"results so far are kept in {cache}; the same command continues from there")
            raise
        table = proof([_read_result(cache / f"{one.name}.json") for one in scenarios])
        _write_proof(place, table)
        for one in scenarios:
            (cache / f"{one.name}.json").unlink(missing_ok=True)
    return table


@contextmanager
def _results_folder(target: Path) -> Iterator[Path]:
    """The hidden folder next to the output where results are kept until all are there; removed once it is empty."""
    cache = target.with_name(f".{target.name}.worlds")
    try:
        cache.mkdir(exist_ok=True)
    except OSError as error:
        raise UserError(
            str(cache),
            f"cannot be used for results: {error.strerror}",
            "a folder",
            "move it away, or choose a different --out",
        ) from error
    try:
        yield cache
    finally:
        with suppress(OSError):
            cache.rmdir()


def _write_result(path: Path, result: SimulationResult) -> None:
    """Write the whole file or none, so that an interrupted run can be resumed."""
    unfinished = path.with_suffix(".unfinished")
    try:
        unfinished.write_text(json.dumps(asdict(result)), encoding="utf-8")
        unfinished.replace(path)
    except OSError as error:
        raise cannot_write_error(path, error) from error


def _write_proof(place: OutputPlace, table: DataFrame[Prove]) -> None:
    with place.write() as folder:
        (folder / "tables").mkdir()
        (folder / "tables" / "prove.csv").write_text(csv_text(table), encoding="utf-8")
        page = proof_page(table)
        (folder / page.file).write_text(page.text, encoding="utf-8")
        (folder / MANIFEST).write_text(run_manifest_text(), encoding="utf-8")


def _read_result(path: Path) -> SimulationResult:
    saved = json.loads(path.read_text("utf-8"))
    return SimulationResult(**{**saved, "facts": [MeasureOutcome(**fact) for fact in saved["facts"]]})


def _audit_all(scenarios: list[ProofWorkshop], cluster: str | None) -> Iterator[tuple[ProofWorkshop, SimulationResult]]:
    """Audit in parallel, yielding each result as it ends."""
    import joblib

    if cluster is None:
        with joblib.parallel_config("loky", inner_max_num_threads=1), warnings.catch_warnings():
            run = joblib.Parallel(n_jobs=-1, return_as="generator")
            warnings.filterwarnings("ignore", message=".*being processed by the workers")  # when an error ends the run
            yield from zip(scenarios, run(joblib.delayed(audit_simulation)(one) for one in scenarios), strict=True)
        return

    with connect_cluster(cluster) as client:
        futures = client.map(audit_simulation, scenarios, pure=False)
        yield from zip(scenarios, client.gather(futures), strict=True)


SECONDS_TO_ANSWER = 10


@contextmanager
def connect_cluster(address: str) -> Iterator[Any]:
    """A client of the cluster at `address` (tcp://host:port).

    Raises
    ------
    UserError
        The cluster extra is not installed, nothing answers, or a worker is lost before the end.
    """
    try:
        from distributed import Client
    except ImportError as error:
        cure = "pip install 'rebleed[cluster]'"
        raise UserError(
            "--cluster", "the libraries for a cluster are not installed", "the cluster extra", cure
        ) from error
    try:
        client = Client(address, timeout=SECONDS_TO_ANSWER)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise UserError(
            "--cluster",
            f"nothing answers at {address}",
            "the address of a running scheduler, tcp://host:port",
            "start it",
        ) from error
    try:
        yield client
    except _cluster_errors() as error:
        raise UserError(
            f"--cluster {address}",
            "the cluster or one of its workers was lost before the end",
            "workers that run until the end",
            "run it again, on another cluster or without one",
        ) from error
    finally:
        client.close()  # type: ignore[no-untyped-call]


def _cluster_errors() -> tuple[type[BaseException], ...]:
    """What a client raises when a worker or the scheduler is gone."""
    from concurrent.futures import CancelledError

    from distributed import KilledWorker
    from distributed.client import FutureCancelledError
    from distributed.comm import CommClosedError

    return (CancelledError, CommClosedError, FutureCancelledError, KilledWorker, TimeoutError)
