"""Parquet: simple types are kept, all others become text, damaged files are refused."""

from __future__ import annotations

import datetime as dt
import io
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import read_log
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.frames import parquet_table
from analysis.intake.readers.raw_table import ROW
from analysis.intake.readers.sources import raw_tables


def parquet(frame: pl.DataFrame) -> bytes:
    data = io.BytesIO()
    frame.write_parquet(data)
    return data.getvalue()


def snap(data: bytes) -> Snapshot:
    return Snapshot("log.parquet", data, "0" * 64)


def test_simple_types_are_kept_and_others_become_exact_text() -> None:
    frame = pl.DataFrame(
        {
            "id": ["a", None],
            "n": pl.Series([1, 2], dtype=pl.UInt8),
            "x": [0.1, float("nan")],
            "ok": [True, None],
            "day": [dt.date(2024, 1, 5), None],
            "at": pl.Series([dt.datetime(2024, 1, 5, 10, 30), None], dtype=pl.Datetime("ns")),
            "zone": pl.Series([dt.datetime(2024, 1, 5, 10, 30), None], dtype=pl.Datetime("ms", "Europe/Berlin")),
            "cost": pl.Series([Decimal("1.50"), None], dtype=pl.Decimal(8, 2)),
            "raw": [b"\x01\xff", None],
            "kind": pl.Series(["x", "y"], dtype=pl.Categorical()),
            "list": [[1, 2], None],
            "pair": [{"a": 1, "b": "x"}, None],
            "none": pl.Series([None, None], dtype=pl.Null),
        }
    )
    cells = parquet_table(snap(parquet(frame))).cells
    first, second = cells.rows(named=True)
    assert first == {
        ROW: 1,
        "id": "a",
        "n": 1,
        "x": 0.1,
        "ok": True,
        "day": dt.date(2024, 1, 5),
        "at": dt.datetime(2024, 1, 5, 10, 30),
        "zone": dt.datetime(2024, 1, 5, 11, 30),
        "cost": "1.50",
        "raw": "01ff",
        "kind": "x",
        "list": "[1, 2]",
        "pair.a": 1,
        "pair.b": "x",
        "none": None,
    }
    assert [second[name] for name in ("x", "cost", "list", "pair.a", "pair.b", "raw")] == [None] * 6


def test_a_table_can_have_no_rows() -> None:
    table = parquet_table(snap(parquet(pl.DataFrame({"id": pl.Series([], dtype=pl.String)}))))
    assert (table.headings, table.rows_read) == (["id"], 0)


@pytest.mark.parametrize("cut", [4, 20, 200, -1, -8])
def test_a_cut_off_file_is_refused(cut: int) -> None:
    with pytest.raises(UserError, match="Parquet"):
        parquet_table(snap(parquet(pl.DataFrame({"id": ["a"] * 100}))[:cut]))


def test_text_with_the_extension_of_parquet_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    path.write_text("id,n\na,1\n")
    with pytest.raises(UserError, match="Parquet"):
        raw_tables([str(path)])


def test_a_panic_of_the_reader_leaves_no_trace_on_standard_error(capfd: pytest.CaptureFixture[str]) -> None:
    data = bytearray(parquet(pl.DataFrame({"id": [str(n) for n in range(50)], "x": [n / 3 for n in range(50)]})))
    refused = 0
    for place in range(4, len(data), 7):
        for cut in (place + 40, None):
            try:
                parquet_table(
                    snap(
                        bytes(data[:place])
                        + bytes(data[place + 13 : cut])
                        + (b"" if cut is None else bytes(data[cut:]))
                    )
                )
            except UserError:
                refused += 1
    assert refused > 0
    assert capfd.readouterr().err == ""


def test_a_file_that_crashes_its_reader_is_refused(tmp_path: Path) -> None:
    good, crashing = tmp_path / "a.parquet", tmp_path / "b.parquet"
    good.write_bytes(parquet(pl.DataFrame({"session_id": ["a"]})))
    crashing.write_bytes((Path(__file__).parents[1] / "fuzz" / "crashing.parquet").read_bytes())
    assert raw_tables([str(good)]).tables[0].rows_read == 1
    with pytest.raises(UserError, match="reading it crashed a process") as refusal:
        raw_tables([str(tmp_path)])
    assert refusal.value.location == str(crashing)


@pytest.mark.parametrize("zone", [None, "Europe/Berlin"])
@pytest.mark.parametrize(
    ("unit", "number"), [("us", 2**63 - 1), ("ms", 2**62), ("us", -(2**63) + 1), ("ms", 2**63 - 1)]
)
def test_a_time_outside_the_calendar_rejects_only_its_row(
    tmp_path: Path, unit: str, number: int, zone: str | None
) -> None:
    """Databases write infinity as the largest number."""
    noon = int(dt.datetime(2025, 1, 5, 12).timestamp()) * {"us": 10**6, "ms": 10**3}[unit]
    frame = pl.DataFrame(
        {
            "session_id": ["S1", "S2", "S3"],
            "bike_id": ["B1", "B2", "B3"],
            "brake": ["front"] * 3,
            "technician": ["Wren"] * 3,
            "started_at": pl.Series([noon, number, noon]).cast(pl.Datetime(unit, zone)),
        }
    )
    (tmp_path / "sessions.parquet").write_bytes(parquet(frame))
    log = read_log([str(tmp_path / "sessions.parquet")])
    assert log.sessions["session_id"].to_list() == ["S1", "S3"]
    assert log.set_aside.height == 1


def test_a_day_outside_the_calendar_is_text() -> None:
    days = pl.DataFrame({"day": pl.Series([20_000, 2**31 - 1], dtype=pl.Int32).cast(pl.Date)})
    assert parquet_table(snap(parquet(days))).cells["day"].to_list() == ["2024-10-04", str(2**31 - 1)]


def test_a_column_without_a_name_is_named_by_its_position() -> None:
    assert parquet_table(snap(parquet(pl.DataFrame({"id": ["a"], "": [1]})))).headings == ["id", "column 2"]
