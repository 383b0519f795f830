"""Simulated exports of every format, read with their proposed map unedited: right cells, and every flaw reported."""

from pathlib import Path

import polars as pl
import pytest

from analysis.intake import propose_map, read_log
from synthetic import EXPORT_FORMATS, scenario_workshop, simulate, write_export

FOREIGN = list(EXPORT_FORMATS)
MIN_RIGHT_SHARE = 0.95


@pytest.fixture(scope="module", params=FOREIGN)
def shop(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    log = simulate(scenario_workshop("base", 1200), 11)
    exported = write_export(log, folder / "exports", EXPORT_FORMATS[request.param], 11)
    files = [str(path) for path in exported.files]
    (folder / "map.toml").write_text(propose_map(files).toml, encoding="utf-8")
    return log, exported, read_log(files, str(folder / "map.toml"), log.as_of)


def right_cells(ours, truth, keys):
    """Share of the recorded cells of the truth that are the same in the log, over rows with the same keys."""
    fields = [name for name in truth.columns if name in ours.columns and name not in keys]
    both = truth.join(ours, on=keys, how="inner", suffix=" read")
    right = total = 0
    for name in fields:
        want, got = both.get_column(name), both.get_column(f"{name} read")
        recorded = want.is_not_null()
        if want.dtype.is_float():
            same = (want - got.cast(pl.Float64)).abs() <= 0.02 * want.abs().clip(lower_bound=1)
        elif want.dtype == pl.Datetime:
            same = want.dt.truncate("1m") == got.dt.truncate("1m")
        else:
            same = want == got
        right += int((same.fill_null(False) & recorded).sum())
        total += int(recorded.sum())
    return right / total


def test_at_least_95_percent_of_the_cells_of_bleeds_are_right(shop):
    log, exported, read = shop
    mapped = set(exported.headings.filter(pl.col("table") == "sessions").get_column("column"))
    truth = log.sessions.select([name for name in log.sessions.columns if name in mapped])
    keys = ["session_id"] if "session_id" in mapped else ["bike_id", "brake", "started_at"]
    assert right_cells(read.sessions, truth, keys) >= MIN_RIGHT_SHARE
    assert len(read.sessions) >= 0.97 * len(log.sessions)


def test_every_injected_flaw_is_reported_with_its_reason(shop):
    _, exported, read = shop
    reported = {(Path(f).name, row, rule) for f, row, rule in read.set_aside.select("file", "row", "rule").iter_rows()}
    injected = exported.flaws.filter(pl.col("rule") != "no_bleed_found")
    missing = [
        one
        for one in injected.select("file", "row", "rule").iter_rows()
        if (Path(one[0]).name, *one[1:]) not in reported
    ]
    assert missing == []


def test_nothing_else_is_rejected(shop):
    _, exported, read = shop
    injected = {(Path(f).name, row) for f, row in exported.flaws.select("file", "row").iter_rows()}
    rows = read.set_aside.filter(pl.col("action") == "row_set_aside").select("file", "row").iter_rows()
    assert [one for one in rows if (Path(one[0]).name, one[1]) not in injected] == []


def test_every_row_is_accounted_for(shop):
    _, exported, read = shop
    rows = {(Path(f).name, t): n for f, t, n in exported.rows.select("file", "table", "rows").iter_rows()}
    for line in read.intake.iter_rows(named=True):
        assert line["rows_read"] == rows[(Path(line["file"]).name, line["table"])]
