"""A workbook filled in with an office program is read back cell for cell, without a map."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.intake import Log, read_log
from analysis.sheet import write_workbook
from analysis.standard import built_in
from schemas import LOG_TABLES
from synthetic import co_operative
from tests.cli.test_command import rebleed
from tests.sheet.office import OFFICE, Typed, type_into

BLEEDS = 200
ODD_NOTES = (
    "=1+1",
    "007",
    "1/2",
    "TRUE",
    "3.50",
    "5 µm, Zoë said",
    "- hose swapped",
    "@home",
    "'quoted'",
    "2026-01-01",
)
pytestmark = pytest.mark.skipif(OFFICE is None, reason="LibreOffice (soffice) is not installed")


@pytest.fixture(scope="module")
def filled() -> dict[str, pl.DataFrame]:
    """Two hundred bleeds with their other tables, and a few notes that look like other types."""
    created = co_operative(7, 400)
    sessions = created.sessions.head(BLEEDS)
    notes = [*ODD_NOTES, *[None] * (BLEEDS - len(ODD_NOTES))]
    ids = sessions.get_column("session_id").implode()
    return {
        "sessions": sessions.with_columns(note=pl.Series(notes, dtype=pl.String)),
        "comebacks": created.comebacks.filter(pl.col("session_id").is_in(ids)),
        "passes": created.passes.filter(pl.col("session_id").is_in(ids)),
        "technicians": created.technicians,
        "coaching": created.coaching,
        "brakes": created.brakes,
        "measures": pl.DataFrame(
            {
                "shop": sessions.get_column("shop").head(2),
                "began_on": [dt.date(2024, 5, 1), dt.date(2024, 9, 2)],
                "what": ["kits replaced", "a second bench"],
                "step": ["purge", None],
            }
        ),
        "actions": sessions.head(3).select(
            "session_id", "bike_id", "brake", "shop", "technician",
            action_id=pl.format("recall-{}", "session_id"), kind=pl.lit("recall"), done_on=dt.date(2026, 6, 1),
            outcome=pl.lit("firm"), minutes=pl.lit(20.0), note=pl.lit("rung twice"),
        ),
    }  # fmt: skip


@pytest.fixture(scope="module")
def saved(filled: dict[str, pl.DataFrame], tmp_path_factory: pytest.TempPathFactory) -> Path:
    desk = tmp_path_factory.mktemp("desk")
    write_workbook(desk / "bench_log.xlsx", built_in())
    type_into(desk / "bench_log.xlsx", typed_cells(filled), desk / "filled.xlsx", desk)
    return desk / "filled.xlsx"


@pytest.fixture(scope="module")
def log(saved: Path) -> Log:
    return read_log([str(saved)], as_of=dt.date(2026, 6, 30))


def typed_cells(filled: dict[str, pl.DataFrame]) -> list[Typed]:
    return [
        Typed(sheet, list(LOG_TABLES[sheet].to_schema().columns).index(name), row, typed(value))
        for sheet, table in filled.items()
        for name in table.columns
        for row, value in enumerate(table.get_column(name), 1)
        if value is not None
    ]


def typed(value: Any) -> str:
    """The value as a person types it."""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return f"{value:%Y-%m-%d %H:%M}" if isinstance(value, dt.datetime) else str(value)


@pytest.mark.parametrize("table", LOG_TABLES)
def test_every_cell_is_read_back_as_typed(log: Log, filled: dict[str, pl.DataFrame], table: str) -> None:
    read: pl.DataFrame = getattr(log, table)
    keys = [
        name
        for name in ("comeback_id", "session_id", "pass_no", "technician", "brake_model", "began_on")
        if name in read.columns
    ]
    expected = filled[table].sort(keys)
    actual = read.sort(keys).select(expected.columns)
    assert expected.height > 0
    assert actual.rows() == expected.rows()


def test_a_cell_left_empty_is_not_recorded(log: Log, filled: dict[str, pl.DataFrame]) -> None:
    empty = [name for name in LOG_TABLES["sessions"].to_schema().columns if name not in filled["sessions"].columns]
    assert log.sessions.select(pl.col(empty).is_not_null().any()).sum_horizontal().sum() == 0


def test_check_accepts_it_without_a_map_and_rejects_nothing(saved: Path) -> None:
    result = rebleed("check", str(saved), "--as-of", "2026-06-30", "--strict")
    assert result.returncode == 0, result.stderr
    assert (
        f"(sessions): {BLEEDS} read = {BLEEDS} accepted + 0 rejected + 0 duplicate; values blanked: 0" in result.stdout
    )
