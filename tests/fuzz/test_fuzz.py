"""Thousands of corrupted files for every reader: no traceback, no lost row. Past failures are kept as cases."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path

import pytest

from analysis.intake.readers import library_failures
from analysis.parallel import WorkerExecutor
from tests.fuzz.corruption import corrupt
from tests.fuzz.examination import examine
from tests.fuzz.seeds import KINDS, seed_of

CRASHING = Path(__file__).with_name("crashing.parquet").read_bytes()
"""Three whole numbers, one missing; a wrong length at byte 41 makes polars ask for 2 exabytes and abort."""
CASES = (
    ("text", b"\xff\xfe"),
    ("text", b'"'),
    ("text", b"sep=;\n"),
    ("text", b"\xef\xbb\xbf\n\n,,,\n"),
    ("text", b"__row__,__row__\n1,2\n"),
    ("text", b"session_id,bike_id,brake,technician,started_at\n" + b'"' * 50_001),
    ("lines", b"[" * 100_000),
    ("lines", b'{"a": ' * 100_000),
    ("lines", b'{"__row__": 1, "a": 1e999, "": null}'),
    ("lines", b'{"a": "\\ud800", "\\ud800": 18446744073709551616}'),
    ("parquet", b"PAR1"),
    ("parquet", b"PAR1" + bytes(64) + b"PAR1"),
    ("parquet", CRASHING),
    ("book", b"PK\x03\x04"),
    ("book", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)),
    ("database", b"SQLite format 3\x00"),
    ("database", b"SQLite format 3\x00" + bytes(4096)),
    ("map", b"[sessions]\ncolumns = 3"),
    ("map", b"sessions = " + b"[" * 20_000),
    ("map", b"[sessions.own.x]\nheading = 'x'\nmin = nan"),
    ("standard", b"step = " + b"[" * 20_000),
    ("map", b"sessions = " + b"9" * 5000),
    ("standard", b"shop = " + b"9" * 5000),
    ("standard", b"[shop]\nwindow_days = nan"),
    ("standard", b"[shop]\nwindow_days = 999999999999999999999999"),
    ("manifest", b"[" * 100_000),
    ("manifest", b'{"made_by": "rebleed", "inputs": 1e999}'),
)
"""Files that other readers fail on, and files that failed here before they were fixed."""
FILES_PER_LOG = 10


@pytest.fixture(scope="module", autouse=True)
def _one_worker() -> Iterator[None]:
    """Share one worker among all files, because each start takes a tenth of a second."""
    with WorkerExecutor() as executor, pytest.MonkeyPatch.context() as patch:
        patch.setattr(library_failures, "WorkerExecutor", lambda: nullcontext(executor))
        yield


EXPORTS = ("text", "lines", "parquet", "book", "database")


@pytest.mark.parametrize("kind", KINDS)
def test_a_good_file_is_read(kind: str, tmp_path: Path) -> None:
    assert examine(kind, seed_of(kind), tmp_path, whole=True) or kind == "manifest"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("count", [100, pytest.param(10_000, marks=pytest.mark.slow)])
def test_corrupted_files_are_read_or_refused(kind: str, count: int, tmp_path: Path) -> None:
    read = 0
    for number in range(count):
        data = corrupt(seed_of(kind), random.Random(f"{kind} {number}"))
        try:
            read += examine(kind, data, tmp_path, whole=number % FILES_PER_LOG == 0)
        except BaseException:
            print(f"corrupt(seed_of({kind!r}), random.Random('{kind} {number}'))")
            raise
    if kind != "manifest":
        assert 0 < read < count, "some files must be read and some refused"


@pytest.mark.parametrize(("kind", "data"), CASES)
def test_known_difficult_files_are_read_or_refused(kind: str, data: bytes, tmp_path: Path) -> None:
    examine(kind, data, tmp_path, whole=True)


@pytest.mark.parametrize("kind", EXPORTS)
def test_corruption_is_the_same_for_the_same_seed(kind: str) -> None:
    assert corrupt(seed_of(kind), random.Random(3)) == corrupt(seed_of(kind), random.Random(3))
