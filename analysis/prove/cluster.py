"""An existing Dask cluster, reached by its address."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from analysis.errors import UserError

SECONDS_TO_ANSWER = 10


@contextmanager
def connected(address: str) -> Iterator[Any]:
    """A client of the cluster at `address` (tcp://host:port).

    Raises
    ------
    UserError
        The cluster extra is not installed, nothing answers, or a worker that something lay on is lost on the way.
    """
    try:
        from distributed import Client
    except ImportError as error:
        cure = "pip install 'rebleed[cluster]'"
        raise UserError(
            "--cluster", "the libraries that reach a cluster are missing", "the cluster extra", cure
        ) from error
    try:
        client = Client(address, timeout=SECONDS_TO_ANSWER)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise UserError(
            "--cluster", f"nothing answers at {address}", "tcp://host:port of a scheduler", "start it"
        ) from error
    try:
        yield client
    except _lost() as error:
        raise UserError(
            f"--cluster {address}",
            "the cluster, or a worker with what lay on it, was lost on the way",
            "workers that stay until the end",
            "run it again, on another cluster or without one",
        ) from error
    finally:
        client.close()  # type: ignore[no-untyped-call]


def _lost() -> tuple[type[BaseException], ...]:
    """What a client raises when a worker or the scheduler is gone."""
    from concurrent.futures import CancelledError

    from distributed import KilledWorker
    from distributed.client import FutureCancelledError
    from distributed.comm import CommClosedError

    return (CancelledError, CommClosedError, FutureCancelledError, KilledWorker, TimeoutError)
