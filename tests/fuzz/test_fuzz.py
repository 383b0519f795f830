"""Thousands of spoilt files for every reader: no traceback, no lost row. What was once found is kept as cases."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.fuzz.examined import examine
from tests.fuzz.seeds import KINDS, seed_of
from tests.fuzz.spoilt import spoilt

CASES = sorted((Path(__file__).parent / "cases").iterdir())
TO_A_LOG_EVERY = 10
EXPORTS = ("text", "lines", "parquet", "book", "database")


@pytest.mark.parametrize("kind", KINDS)
def test_a_good_file_is_read(kind: str, tmp_path: Path) -> None:
    assert examine(kind, seed_of(kind), tmp_path, whole=True) or kind == "manifest"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("many", [100, pytest.param(10_000, marks=pytest.mark.slow)])
def test_spoilt_files_are_read_or_refused(kind: str, many: int, tmp_path: Path) -> None:
    read = 0
    for number in range(many):
        data = spoilt(seed_of(kind), random.Random(f"{kind} {number}"))
        try:
            read += examine(kind, data, tmp_path, whole=number % TO_A_LOG_EVERY == 0)
        except BaseException:
            print(f"spoilt(seed_of({kind!r}), random.Random('{kind} {number}'))")
            raise
    if kind != "manifest":
        assert 0 < read < many, "some must be read and some refused, or nothing was tried"


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_was_once_found_stays_mended(case: Path, tmp_path: Path) -> None:
    """Each file is named for its kind and what went wrong with it."""
    examine(case.name.split("-")[0], case.read_bytes(), tmp_path, whole=True)


@pytest.mark.parametrize("kind", EXPORTS)
def test_spoiling_is_drawn_alike_for_the_same_number(kind: str) -> None:
    assert spoilt(seed_of(kind), random.Random(3)) == spoilt(seed_of(kind), random.Random(3))
