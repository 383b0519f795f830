"""Several files of one log: named twice, with fewer headings than the map, with passes of unknown bleeds."""

from __future__ import annotations

import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake import Log, read_log
from tests.cli.test_command import rebleed

MAP = """
[sessions.columns]
session_id = "Nr"
bike_id = "Rad"
brake = "Bremse"
technician = "Wer"
started_at = "Tag"
cycles = "Gänge"
[sessions.own.grease_g]
heading = "Fett"
type = "number"
"""
HEAD = "session_id,bike_id,brake,technician,started_at"


def write_csv(folder: Path, name: str, *lines: str) -> str:
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(folder / name)


def two_years(folder: Path, this_year: str, cells: str, last_year: str = "", more: str = "") -> Log:
    head = "Nr,Rad,Bremse,Wer,Tag"
    first = write_csv(folder, "2025.csv", head + last_year, f"1,b,front,Wren,2025-12-30{more}")
    second = write_csv(folder, "2026.csv", head + this_year, f"2,b,rear,Wren,2026-01-05{cells}")
    return read_log([first, second], write_csv(folder, "map.toml", MAP))


def test_a_field_is_empty_for_a_file_without_its_heading_and_that_is_reported(tmp_path: Path) -> None:
    log = two_years(tmp_path, ",Gänge,Fett", ",3,1.5")
    assert log.sessions["cycles"].to_list() == [None, 3]
    assert log.sessions["own.grease_g"].to_list() == [None, 1.5]
    warnings = [warning for warning in log.warnings if "has no column" in warning]
    assert len(warnings) == 2
    assert all("2025.csv" in warning for warning in warnings)
    assert any("'Gänge'" in warning for warning in warnings)


def test_a_heading_that_no_file_has_is_a_mistake_in_the_map(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"columns\.cycles: .* has no heading 'Gänge'"):
        two_years(tmp_path, ",Fett", ",1.5", ",Fett", ",2")


def test_each_file_may_have_other_headings_of_the_map(tmp_path: Path) -> None:
    log = two_years(tmp_path, ",Fett", ",1.5", ",gänge", ",2")
    assert log.sessions["cycles"].to_list() == [2, None]
    assert log.sessions["own.grease_g"].to_list() == [None, 1.5]


def test_a_file_named_twice_is_read_once_and_that_is_reported(tmp_path: Path) -> None:
    path = write_csv(tmp_path, "sessions.csv", HEAD, "1,b,front,Wren,2026-01-05")
    run = rebleed("check", path, str(tmp_path / "." / "sessions.csv"))
    assert run.returncode == 0
    assert "1 read = 1 accepted + 0 rejected + 0 duplicate" in run.stdout
    assert "named twice, read once" in run.stdout


def passes_of(folder: Path, *passes: str) -> Log:
    sessions = write_csv(folder, "sessions.csv", HEAD, "S1,b,front,Wren,2026-01-05", "S2,b,rear,Wren,2026-01-05")
    return read_log([sessions, write_csv(folder, "passes.csv", "session_id,pass_no,direction,ml,bubbles", *passes)])


def test_passes_of_unknown_bleeds_are_reported(tmp_path: Path) -> None:
    log = passes_of(tmp_path, "S1,1,down,9,1", "S1,2,up,9,0", "S7,1,down,9,1", "S8,1,up,9,1")
    assert "2 passes belong to bleeds that are not in the log or were rejected: 'S7', 'S8'" in log.warnings
    assert log.sessions["cycles"].to_list() == [1, None]


@pytest.mark.parametrize(
    ("passes", "cycles", "last", "uneven"),
    [
        (("S1,1,down,9,4", "S1,2,up,9,2", "S1,3,down,9,1", "S1,4,up,9,0"), 2, 1, False),
        (("S1,1,down,9,4", "S1,2,up,9,2", "S1,3,down,9,1"), 1, 3, True),
        (("S1,1,,9,4", "S1,2,,9,2", "S1,3,,9,1"), 1, 3, True),
        (("S1,1,down,9,4",), 0, 4, True),
        (("S1,1,down,9,4", "S1,2,down,9,1"), 0, 5, True),
    ],
)
def test_passes_that_do_not_pair_are_reported_and_only_full_pairs_count(
    tmp_path: Path, passes: tuple[str, ...], cycles: int, last: int, uneven: bool
) -> None:
    log = passes_of(tmp_path, *passes)
    assert (log.sessions["cycles"][0], log.sessions["bubbles_last"][0]) == (cycles, last)
    assert any("passes down and up do not pair up" in warning for warning in log.warnings) is uneven


@pytest.mark.slow
def test_two_thousand_files_of_one_row_take_seconds(tmp_path: Path) -> None:
    """Each file takes a few milliseconds, however many there are; about 12 s of processor time were measured."""
    for n in range(2_000):
        row = f"S{n},B{n},{'front' if n % 2 else 'rear'},Wren,2025-01-{n % 28 + 1:02}"
        (tmp_path / f"log{n:04}.csv").write_text(f"session_id,bike_id,brake,technician,started_at\n{row}\n", "utf-8")
    start = time.process_time()
    log = read_log([str(tmp_path)])
    assert time.process_time() - start < 20
    assert log.intake["accepted"].to_list() == [1] * 2_000


def test_a_worker_that_is_spawned_reads_after_its_parent_has(tmp_path: Path) -> None:
    """A forked one would wait for threads of polars that it does not have: the docstring says so."""
    (tmp_path / "log.csv").write_text("session_id,bike_id,brake,technician,started_at\nS1,B1,front,Wren,2025-01-01\n")
    assert accepted_rows(tmp_path) == 1
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        assert pool.submit(accepted_rows, tmp_path).result(timeout=60) == 1
    assert "spawn" in str(read_log.__doc__)


def accepted_rows(folder: Path) -> int:
    return int(read_log([str(folder)]).intake["accepted"].sum())
