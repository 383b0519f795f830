"""The files of a run: columns in order, cells of their types, keys sorted and unique."""

from __future__ import annotations

import csv
import json
import re

import polars as pl
import pytest

from schemas import AUDIT_TABLES, LOG_TABLES
from tests.shops import run

NUMBER = re.compile(r"-?\d+(\.\d+)?([eE][+-]?\d+)?$")
KINDS = {
    pl.Float64: NUMBER,
    pl.Int64: re.compile(r"-?\d+$"),
    pl.Boolean: re.compile(r"(true|false)$"),
    pl.Date: re.compile(r"\d{4}-\d\d-\d\d$"),
    pl.String: re.compile(r"(?s).*$"),
}
KEYS = {
    "rates": ["kind", "group"],
    "months": ["kind", "group", "month"],
    "early_signs": ["shop", "month", "sign", "subject"],
    "steps": ["step"],
    "technique": ["technician", "step"],
    "coaching": ["technician", "step", "coached_on"],
    "holds": ["session_id", "rule"],
    "credibility": ["technician", "test", "field"],
    "risk": ["session_id"],
}


@pytest.mark.parametrize("name", AUDIT_TABLES)
def test_every_table_is_written_with_the_columns_of_its_model(name: str) -> None:
    with (run().out / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        assert next(csv.reader(file)) == list(AUDIT_TABLES[name].to_schema().columns)


@pytest.mark.parametrize("name", AUDIT_TABLES)
def test_every_cell_is_written_as_its_type_says(name: str) -> None:
    columns = AUDIT_TABLES[name].to_schema().columns
    with (run().out / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            for column, cell in row.items():
                assert cell == "" or KINDS[columns[column].dtype.type.base_type()].match(cell), (column, cell)


@pytest.mark.parametrize("name", AUDIT_TABLES)
def test_required_columns_have_no_empty_cells(name: str) -> None:
    table = pl.read_csv(run().out / "tables" / f"{name}.csv", infer_schema=False)
    needed = [column for column, result in AUDIT_TABLES[name].to_schema().columns.items() if not result.nullable]
    assert table.select(pl.col(needed).is_null().sum()).sum_horizontal().sum() == 0


@pytest.mark.parametrize("name", KEYS)
def test_rows_are_sorted_by_a_unique_key(name: str) -> None:
    table = pl.read_csv(run().out / "tables" / f"{name}.csv", infer_schema=False)
    keys = list(table.select(pl.col(KEYS[name]).fill_null("")).iter_rows())
    assert keys == sorted(keys)
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("name", AUDIT_TABLES)
def test_the_parquet_file_has_the_same_rows(name: str) -> None:
    folder = run().out / "tables"
    parquet = pl.read_parquet(folder / f"{name}.parquet")
    assert parquet.columns == pl.read_csv(folder / f"{name}.csv", infer_schema=False).columns
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        assert parquet.height == sum(1 for _ in csv.reader(file)) - 1


@pytest.mark.parametrize("name", LOG_TABLES)
def test_the_cleaned_log_is_written_with_its_origin(name: str) -> None:
    columns = pl.read_parquet(run().out / "log" / f"{name}.parquet").columns
    assert set(LOG_TABLES[name].to_schema().columns) | {"file", "row"} <= set(columns)


def test_the_manifest_accounts_for_every_row() -> None:
    result = json.loads((run().out / "manifest.json").read_text("utf-8"))
    rows = result["rows"]
    assert rows["rows_read"] == rows["accepted"] + rows["set_aside"] + rows["duplicates"] > 0
    assert {"version", "inputs", "as_of", "window_days", "seed", "standard", "libraries", "seconds"} <= set(result)
    assert all(len(one["sha256"]) == 64 for one in result["inputs"])


def test_every_month_from_first_to_last_has_a_row() -> None:
    months = pl.read_csv(run().out / "tables" / "months.csv").filter(pl.col("kind") == "all").get_column("month")
    first, last = (int(m[:4]) * 12 + int(m[5:]) for m in (months[0], months[-1]))
    assert len(months) == last - first + 1


def test_every_step_of_the_standard_has_a_row() -> None:
    steps = pl.read_csv(run().out / "tables" / "steps.csv").get_column("step").to_list()
    assert steps == sorted(step.id for step in run().audited.report.standard.steps)
