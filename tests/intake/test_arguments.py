"""What `read_log` and the audit accept, and the one sentence for what they do not."""

from __future__ import annotations

import datetime as dt
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis import UserError, built_in, propose_map, read_log, run_audit
from analysis.intake import Log
from tests.shops import exports

GOLDEN = Path(__file__).parents[1] / "golden" / "exports"
BLEEDS, DAY = GOLDEN / "bleeds.csv", "2026-06-30"


@cache
def shop_log() -> Log:
    return read_log(exports())


def frame() -> pl.DataFrame:
    return pl.read_csv(BLEEDS, infer_schema=False)


@pytest.mark.parametrize(
    "source", [str(BLEEDS), BLEEDS, [BLEEDS], frame(), frame().lazy(), {"bleeds": frame()}, [frame()] ],
    ids=["text", "path", "list", "frame", "lazy", "dict", "list of a frame"],
)  # fmt: skip
@pytest.mark.parametrize("day", [DAY, dt.date(2026, 6, 30), dt.datetime(2026, 6, 30, 12)])
def test_each_way_to_name_an_export_gives_the_same_bleeds(source: Any, day: Any) -> None:
    log = read_log(source, as_of=day)
    expected = read_log([str(BLEEDS)], as_of=dt.date(2026, 6, 30))
    columns = [name for name in expected.sessions.columns if name not in ("file", "row")]
    assert log.sessions.select(columns).equals(expected.sessions.select(columns))


def test_a_pandas_frame_gives_the_same_bleeds() -> None:
    """`pip install 'rebleed[pandas]'` brings both."""
    pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    columns = read_log(BLEEDS, as_of=DAY).sessions.drop("file", "row")
    assert read_log({"bleeds": frame().to_pandas()}, as_of=DAY).sessions.drop("file", "row").equals(columns)


def test_a_map_is_accepted_as_proposed_and_as_a_file(tmp_path: Path) -> None:
    proposed = propose_map(BLEEDS)
    (tmp_path / "map.toml").write_text(proposed.toml, encoding="utf-8")
    as_file = read_log(BLEEDS, tmp_path / "map.toml", DAY)
    assert read_log(BLEEDS, proposed, DAY).sessions.equals(as_file.sessions)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: read_log(3), "a number \\(3\\)"),  # type: ignore[arg-type]
        (lambda: read_log(BLEEDS, as_of="30/06/2026"), "is not a date"),
        (lambda: read_log(BLEEDS, as_of=3), "is not a date"),  # type: ignore[arg-type]
        (lambda: read_log(BLEEDS, 3), "what propose_map returned"),  # type: ignore[arg-type]
        (lambda: run_audit("bleeds.csv"), "is of type str"),  # type: ignore[arg-type]
        (lambda: run_audit(shop_log(), "procedure.toml"), "is of type str"),  # type: ignore[arg-type]
        (lambda: run_audit(shop_log(), window_days=0), "is 0 days"),
        (lambda: shop_log().filter(shop="nowhere"), "no bleeds match this filter"),
        (lambda: shop_log().filter(since="soon"), "is not a date"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_sentence(call: Any, message: str) -> None:
    with pytest.raises(UserError, match=message) as error:
        call()
    assert error.value.expected
    assert error.value.remedy


def test_a_filtered_log_has_the_bleeds_of_one_workshop_since_a_day_and_their_returns() -> None:
    log = shop_log()
    shop = log.sessions["shop"].drop_nulls().sort()[0]
    own = log.filter(shop=shop, since="2025-01-01")
    assert set(own.sessions["shop"]) == {shop}
    assert own.sessions["started_at"].dt.date().min() >= dt.date(2025, 1, 1)
    linked = log.links.filter(pl.col("session_id").is_in(own.sessions["session_id"].implode()))
    assert set(own.comebacks["comeback_id"]) == set(linked["comeback_id"])
    assert log.filter().sessions.equals(log.sessions)
    assert own.sessions.height < log.sessions.height


def test_the_built_in_procedure_is_the_default_and_a_report_writes_its_folder(tmp_path: Path) -> None:
    report = run_audit(read_log(frame().head(40)))
    assert report.standard == built_in()
    first = report.write(tmp_path / "audit")
    assert first == tmp_path / "audit" / "index.html"
    assert {"index.html", "lead.html", "tables", "manifest.json"} <= {path.name for path in first.parent.iterdir()}


def test_a_gap_is_unusual_by_the_logs_own_gaps(tmp_path: Path) -> None:
    """Bleeds once a month have no unusual gap of a month; bleeds every day do."""

    def log_of(days: list[dt.date]) -> Any:
        rows = {
            "session_id": [f"S{n}" for n in range(len(days))],
            "bike_id": "B",
            "brake": "front",
            "technician": "Wren",
        }
        return read_log(pl.DataFrame({**rows, "started_at": days}))

    first = dt.date(2025, 1, 1)
    monthly = [first + dt.timedelta(days=31 * n) for n in range(12)]
    daily = [first + dt.timedelta(days=n) for n in range(300)]
    assert not any("--as-of" in warning for warning in log_of(monthly).warnings)
    assert not any("--as-of" in warning for warning in log_of(daily).warnings)
    late = log_of([*daily, daily[-1] + dt.timedelta(days=31)])
    assert any("a gap of 31 days, where no other is longer than 1" in warning for warning in late.warnings)
