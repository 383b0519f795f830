"""Headings that a printed list or joined files repeat are not rows of data, and their words are not levels."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from analysis.intake import propose_map, read_log

HEAD = ["job", "bike_id", "brake", "technician", "started_at"]


def table(repeats: int) -> pl.DataFrame:
    rows = [[f"R{i}", f"K{i}", "front", "Wren", f"2026-01-{i + 1:02d}"] for i in range(20)]
    for i in range(repeats):
        rows.insert(5 * (i + 1), HEAD)
    return pl.DataFrame(rows, schema=HEAD, orient="row")


@pytest.mark.parametrize("ending", ["csv", "xlsx", "parquet"])
def test_repeated_headings_are_left_out_with_a_note(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"jobs.{ending}"
    {"csv": table(2).write_csv, "xlsx": table(2).write_excel, "parquet": table(2).write_parquet}[ending](path)
    log = read_log([str(path)])
    assert log.sessions.height == 20
    assert log.intake.row(0, named=True)["set_aside"] == 0
    assert any("headings repeated, not read as data: rows" in note for note in log.warnings)
    assert '"brake" (' not in propose_map([str(path)]).toml


def test_a_row_that_only_shares_a_word_with_the_headings_is_data(tmp_path: Path) -> None:
    path = tmp_path / "jobs.csv"
    pl.concat(
        [table(0), pl.DataFrame([["job", "bike_id", "front", "Ash", "2026-02-01"]], schema=HEAD, orient="row")]
    ).write_csv(path)
    assert read_log([str(path)]).sessions.height == 21


def test_a_repeated_heading_that_ends_in_a_number_of_its_own_is_left_out_too(tmp_path: Path) -> None:
    path = tmp_path / "jobs.csv"
    numbered = table(2).with_columns(pl.Series("pass (1)", ["3"] * 22)).with_row_index("row")
    is_heading = pl.col("job") == "job"
    numbered.with_columns(pl.when(is_heading).then(pl.lit("pass (1)")).otherwise("pass (1)").alias("pass (1)")).drop(
        "row"
    ).write_csv(path)
    assert read_log([str(path)]).sessions.height == 20


def test_a_kit_named_by_its_fluid_is_the_fluid_of_the_kit(tmp_path: Path) -> None:
    path = tmp_path / "jobs.csv"
    kits = pl.Series("Kit", ["mineral", "DOT 4"] * 10)
    table(0).with_columns(kits).write_csv(path)
    assert 'kit_fluid = "Kit"' in propose_map([str(path)]).toml
    table(0).with_columns(pl.Series("Kit", ["K1", "K2"] * 10)).write_csv(path)
    assert 'kit_id = "Kit"' in propose_map([str(path)]).toml
