"""Lots, kits and other groups: expected counts, own columns, the list of bikes, small logs."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from analysis.audit import AuditSettings, run_audit, run_follow_up, run_steps
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.dataset import data_for_fitting
from analysis.errors import UserError
from analysis.intake import Log, read_log
from analysis.lots import LotResults, group_columns, lots
from analysis.pages.lead_lots import lot_question
from analysis.standard import built_in
from synthetic import Workshop, simulate
from tests.build import bleed, log_of
from tests.shops import report
from tests.simulated_logs import log_of_made

USED = Workshop(sessions=2000, fluid_lots=5, kits=2, base_rate=0.08)


def compared(log: Log) -> LotResults:
    settings = AuditSettings()
    followed, unit_cost = run_follow_up(log, built_in(), settings)
    _, _, fitted = run_steps(followed.data, data_for_fitting(followed.data, settings.seed), unit_cost, settings.seed)
    return lots(followed.data, group_columns(log), fitted)


@pytest.fixture(scope="module")
def bad() -> tuple[Log, LotResults]:
    log = log_of_made(simulate(replace(USED, bad_lot=math.log(3)), 7))
    return log, compared(log)


def test_a_lot_at_three_times_the_hazard_is_named_with_its_bleeds(bad: tuple[Log, LotResults]) -> None:
    log, result = bad
    high = result.lots.filter(signal="high")
    assert high.select("kind", "group").rows() == [("fluid_lot", "L003")]
    own = log.sessions.filter(pl.col("fluid_lot") == "L003")
    assert set(result.lot_bleeds.get_column("session_id")) == set(own.get_column("session_id"))
    later = log.sessions.filter(pl.col("started_at") > own.get_column("started_at").max())
    bled_since = (
        later.select("bike_id", "brake")
        .unique()
        .join(result.lot_bleeds.filter("latest"), on=["bike_id", "brake"], how="semi")
    )
    assert bled_since.is_empty()


def test_observed_and_expected_add_up_over_the_groups(bad: tuple[Log, LotResults]) -> None:
    """Without the planted lot and its influence on the rest: every other group is near its expectation."""
    kits = bad[1].lots.filter(pl.col("kind") == "kit_id", pl.col("group").is_not_null())
    assert kits["expected"].sum() == pytest.approx(kits["returned"].sum(), rel=0.05)
    assert (kits["ratio_lo"] < kits["ratio"]).all()
    assert ((kits["rate_lo"] <= kits["rate"]) & (kits["rate"] <= kits["rate_hi"])).all()
    assert ((kits["shrunk_ratio"] - 1).abs() <= (kits["ratio"] - 1).abs() + 0.05).all()


def test_a_kit_that_wears_shows_it_by_age() -> None:
    worn = compared(log_of_made(simulate(replace(USED, kits=1, kit_wear=0.0), 8))).lots
    row = worn.filter(pl.col("kind") == "kit_id", pl.col("group").is_null()).row(0, named=True)
    assert row["age_lo"] < 1 < row["age_hi"]


def test_a_change_with_age_is_reported_by_its_false_discovery_rate(bad: tuple[Log, LotResults]) -> None:
    table = bad[1].lots
    assert table.filter(pl.col("group").is_not_null()).get_column("age_q_value").count() == 0
    whole = pl.col("group").is_null() & (pl.col("kind") == "kit_id")
    for q, reported in ((0.2, False), (0.01, True)):
        changes = {"age_ratio": 1.3, "age_lo": 1.05, "age_hi": 1.6, "age_q_value": q}
        changed = table.with_columns(pl.when(whole).then(v).otherwise(name).alias(name) for name, v in changes.items())
        question = lot_question(replace(report(), lots=changed, lot_bleeds=bad[1].lot_bleeds))
        assert any("with each 100 days" in point for point in question.points) == reported


def test_too_few_comebacks_compare_nothing_and_list_everything() -> None:
    log = log_of([bleed("S1", "2026-01-02", kit_id="A"), bleed("S2", "2026-02-02", kit_id="B")], [])
    row = run_audit(log, built_in()).lots.filter(group="A").row(0, named=True)
    assert (row["signal"], row["sessions"], row["days_in_use"], row["expected"]) == ("too_few", 1, 1, None)


def test_a_log_without_lots_has_no_question() -> None:
    assert report().lots.is_empty()


def test_the_page_names_the_lot_and_how_many_bikes(bad: tuple[Log, LotResults]) -> None:
    question = lot_question(replace(report(), lots=bad[1].lots, lot_bleeds=bad[1].lot_bleeds))
    assert question.answer.text.startswith("Fluid lot L003")
    assert "bikes not re-bled since" in question.answer.detail
    assert question.table is not None
    assert question.table.rows[0][1].text == "L003"


EXPORT = "session_id,bike_id,brake,technician,started_at,Bench stand\nS1,b,front,Wren,2026-01-02,left\n"


def test_any_column_can_be_compared(tmp_path: Path) -> None:
    (tmp_path / "bleeds.csv").write_text(EXPORT)
    log = read_log([str(tmp_path)], groups=["bench STAND"])
    assert group_columns(log) == ("own.bench_stand",)
    options = AuditOptions((str(tmp_path),), tmp_path.with_name("out"), groups=("Bench stand", "technician"))
    assert audit_exports(options).report.lots.get_column("kind").unique().sort().to_list() == [
        "own.bench_stand", "technician",
    ]  # fmt: skip


def test_a_map_can_name_a_column_to_compare(tmp_path: Path) -> None:
    (tmp_path / "bleeds.csv").write_text(EXPORT)
    (tmp_path / "map.toml").write_text('[sessions.own.bench]\nheading = "Bench stand"\ngroup = true\n')
    assert group_columns(read_log([str(tmp_path / "bleeds.csv")], str(tmp_path / "map.toml"))) == ("own.bench",)


def test_a_column_that_is_not_there_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bleeds.csv").write_text(EXPORT)
    with pytest.raises(UserError, match=r"--group colour.*no such column"):
        read_log([str(tmp_path)], groups=["colour"])


def test_a_group_that_the_bleeds_do_not_have_is_refused() -> None:
    with pytest.raises(UserError, match="no column 'typo'"):
        run_audit(report().log, groups=["typo"])
