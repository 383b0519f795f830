"""An audit whose wide tables lie on a real scheduler's two workers writes the tables of one process."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from distributed import Client, LocalCluster
from polars.testing import assert_frame_equal

from analysis.auditing import AuditOrder, audit_exports
from analysis.cluster import connected
from analysis.errors import CannotRun
from analysis.regression import Workers, product
from analysis.steps import interactions, step_costs
from synthetic import family, made
from tests import shops
from tests.worlds import prepared_of

CLOSE = 1e-9


def cluster():
    return LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=":0")


@pytest.mark.parametrize("written_out", [True, False])
def test_steps_and_interactions_are_those_of_one_process(written_out: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not written_out:
        monkeypatch.setattr("analysis.steps.columns.GROUPED_FROM", 0)
    ready = prepared_of(made(family("base", 1000), 3))

    def told(workers: Workers | None) -> list[pl.DataFrame]:
        found = step_costs(ready, np.random.default_rng(1), workers)
        return [found.table, interactions(ready, found.design, found.by_return)]

    with cluster() as workers, Client(workers.scheduler_address) as client:
        spread = told(Workers(client))
    for one, other in zip(told(None), spread, strict=True):
        assert_frame_equal(one, other, rel_tol=CLOSE, abs_tol=CLOSE)


@pytest.mark.slow
def test_a_cluster_of_two_workers_gives_every_table_of_an_audit(tmp_path: Path) -> None:
    alone = shops.run()
    with cluster() as workers:
        audit_exports(AuditOrder((str(alone.exports),), tmp_path / "spread", cluster=workers.scheduler_address))
    written = sorted((alone.out / "tables").glob("*.csv"))
    assert [path.name for path in written] == [path.name for path in sorted((tmp_path / "spread" / "tables").iterdir())]
    for path in written:
        one, other = (
            pl.read_csv(folder / "tables" / path.name, infer_schema_length=None)
            for folder in (alone.out, tmp_path / "spread")
        )
        assert_frame_equal(one, other, rel_tol=CLOSE, abs_tol=CLOSE)


def multiplied_on_lost_workers() -> None:
    x = np.ones((10, 2))
    with cluster() as workers, connected(workers.scheduler_address) as client:
        spread = Workers(client).spread(len(x), lambda part: x[part])
        np.testing.assert_array_equal(product(spread, np.ones(2)), 2.0)
        workers.scale(0)
        workers.sync(workers._correct_state)
        product(spread, np.ones(2))


def test_workers_lost_on_the_way_are_told() -> None:
    with pytest.raises(CannotRun, match="lost on the way"):
        multiplied_on_lost_workers()
