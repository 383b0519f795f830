"""Thousands of technicians: figures as from a refit without each of them, in memory that grows with the bleeds."""

from __future__ import annotations

import tracemalloc

import numpy as np
import polars as pl
import pytest

from analysis.people.copies_and_habits import constant_findings, copy_findings
from analysis.people.digit_preference import digit_findings
from analysis.people.entries import recorded_values
from analysis.people.peer_comparison import RIDGE, compare_with_peers
from analysis.people.selective_recording import selective_findings
from analysis.rates import CovariatePatterns

TECHNICIANS, BLEEDS_EACH, KINDS = 2_000, 10, 3_000


@pytest.fixture(scope="module")
def work() -> tuple[pl.Series, CovariatePatterns, pl.Series]:
    rng = np.random.default_rng(3)
    n = TECHNICIANS * BLEEDS_EACH
    x = (rng.random((KINDS, 20)) < 0.3).astype(float)
    technician = pl.Series("technician", [f"T{i % TECHNICIANS:04}" for i in range(n)])
    return technician, CovariatePatterns(x, rng.integers(0, KINDS, n)), pl.Series("purge", rng.random(n) < 0.1)


def test_memory_of_the_peer_comparison_grows_with_bleeds_not_with_technicians_times_kinds(work) -> None:
    tracemalloc.start()
    [peers] = compare_with_peers(work[0], work[1], [work[2]])
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(peers.technicians) == TECHNICIANS
    assert peak < TECHNICIANS * KINDS * 8 / 2  # half of one float per technician and kind of work: 24 MB


def test_peers_are_those_of_a_refit_without_the_technician(work) -> None:
    technician, patterns, missed = work
    [peers] = compare_with_peers(technician, patterns, [missed])
    x = np.column_stack([np.ones(KINDS), patterns.x])[patterns.pattern_index]
    y = missed.to_numpy().astype(float)
    for i in (0, 777, TECHNICIANS - 1):
        own = (technician == peers.technicians[i]).to_numpy()
        gram = x[~own].T @ x[~own] + RIDGE * np.eye(x.shape[1])
        line = np.linalg.solve(gram, x[~own].T @ y[~own])
        assert peers.peer_share[i] == pytest.approx(float(np.clip(x[own].mean(axis=0) @ line, 0, 1)), abs=1e-10)


def test_records_of_2000_technicians_with_few_bleeds_are_tested_against_nobody() -> None:
    n = TECHNICIANS * BLEEDS_EACH
    rng = np.random.default_rng(4)
    readings = {f"reading {i}": rng.normal(20, 5, n).round(1) for i in range(6)}
    bleeds = pl.DataFrame(
        {"session_id": [f"s{i}" for i in range(n)], "technician": [f"T{i % TECHNICIANS}" for i in range(n)]} | readings
    ).with_columns(started_at=pl.lit("2025-01-01").str.to_datetime() + pl.duration(hours=pl.int_range(n)))
    recorded = recorded_values(bleeds, list(readings))
    steps = {f"step {i}": rng.random(n) < 0.1 for i in range(6)}
    missed = pl.DataFrame({"session_id": bleeds.get_column("session_id")} | steps)
    assert digit_findings(recorded) == []
    assert constant_findings(recorded) == []
    assert copy_findings(bleeds, tuple(readings)) == []
    assert selective_findings(bleeds, missed) == []
