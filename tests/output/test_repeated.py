"""The same exports, seed and threads give the same bytes; other threads the same figures, verdicts, signals and order."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from analysis.commands.run_audit import AuditOptions, audit_exports
from tests import shops
from tests.output.killed import digest

ROOT = Path(__file__).parents[2]
AUDIT = "import sys\nfrom analysis.cli import main\nsys.argv = ['rebleed', 'audit', *sys.argv[1:]]\nmain()"
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS")
CLOSE = 1e-9


def tables(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((out / "tables").glob("*.csv"))}


def run(out: Path, threads: int, hashes: int) -> Path:
    """An audit in a process of its own, with other hashes of text and a number of threads."""
    surroundings = os.environ | dict.fromkeys(THREADS, str(threads)) | {"PYTHONHASHSEED": str(hashes)}
    order = [sys.executable, "-c", AUDIT, str(shops.exports()), "--out", str(out)]
    subprocess.run(order, check=True, cwd=ROOT, env=surroundings, stdout=subprocess.DEVNULL)
    return out


def test_a_second_audit_writes_the_same_bytes(tmp_path: Path) -> None:
    first = shops.run()
    audit_exports(AuditOptions((str(first.exports),), tmp_path / "again", parquet=True))
    assert tables(tmp_path / "again") == tables(first.out)
    assert digest(tmp_path / "again") == digest(first.out)


@pytest.mark.slow
def test_another_seed_draws_otherwise(tmp_path: Path) -> None:
    """Else the test above could not fail."""
    audit_exports(AuditOptions((str(shops.exports()),), tmp_path / "other", seed=5))
    assert tables(tmp_path / "other") != tables(shops.run().out)


@pytest.mark.slow
def test_processes_agree_to_the_byte_and_threads_to_nine_digits(tmp_path: Path) -> None:
    one, again, two = (run(tmp_path / f"{i}", threads, i) for i, threads in enumerate((1, 1, 2)))
    assert digest(one) == digest(again)
    for name in tables(one):
        _agree(one / "tables" / name, two / "tables" / name)


def _agree(ours: Path, theirs: Path) -> None:
    """Texts alike, numbers to nine digits, row by row."""
    a, b = (pl.read_csv(path, infer_schema_length=None) for path in (ours, theirs))
    assert a.schema == b.schema
    assert a.height == b.height
    for name in a.columns:
        if a[name].dtype.is_float():
            assert a[name].is_null().equals(b[name].is_null()), (ours.name, name)
            difference = ((a[name] - b[name]).abs() > CLOSE * a[name].abs() + 1e-12).sum()
            assert not difference, (ours.name, name)
        else:
            assert a[name].equals(b[name]), (ours.name, name)
