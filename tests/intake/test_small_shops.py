"""Six untidy exports of small shops: mapped, checked and audited, with at most three lines corrected, all of them asked."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
import pytest

from analysis import built_in, run_audit
from analysis.intake import Log, propose_map, read_log
from analysis.pages import findings
from analysis.standard import recalls_by_field
from tests.intake.small_shops import SMALL_SHOPS, SmallShop

MAX_ANSWERS, WINDOW = 3, 90


@dataclass(frozen=True)
class Mapped:
    """A shop with the map proposed for it and the log read with the corrected map."""

    shop: SmallShop
    proposed: str
    log: Log


@pytest.fixture(scope="module", params=SMALL_SHOPS, ids=lambda shop: shop.name)
def mapped(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Mapped:
    folder, shop = tmp_path_factory.mktemp("shop"), request.param
    exports = shop.write(folder)
    proposed = propose_map(exports, lambda bleeds: recalls_by_field(bleeds, built_in())).toml
    corrected = proposed
    for answer in shop.answers:
        assert answer.old in corrected
        corrected = corrected.replace(answer.old, answer.new)
    (folder / "map.toml").write_text(corrected, encoding="utf-8")
    return Mapped(shop, proposed, read_log(exports, str(folder / "map.toml")))


def test_at_most_three_lines_are_corrected_and_each_is_asked_about(mapped: Mapped) -> None:
    questions = [line for line in mapped.proposed.splitlines() if "CHECK" in line or line.startswith("#   ")]
    assert len(mapped.shop.answers) <= MAX_ANSWERS
    assert all(any(answer.question in line for line in questions) for answer in mapped.shop.answers)


def test_every_bleed_and_return_is_read(mapped: Mapped) -> None:
    shop, log = mapped.shop, mapped.log
    assert (log.sessions.height, log.comebacks.height) == (len(shop.bleeds), shop.returns_written)
    assert log.has_comebacks_table == shop.returns
    accounts = log.intake.select("rows_read", "accepted", "set_aside", "duplicates").sum().row(0)
    assert accounts == (shop.rows + shop.returns_written, accounts[1], shop.rows - len(shop.bleeds), 0)
    assert accounts[1] == len(shop.bleeds) + shop.returns_written
    assert log.set_aside.filter(pl.col("action") == "value_blanked").is_empty()


def test_every_return_belongs_to_its_bleed(mapped: Mapped) -> None:
    log = mapped.log
    assert log.links.get_column("session_id").null_count() == 0
    linked = log.links.join(log.sessions.select("session_id", "bike_id", "brake"), on="session_id", how="inner")
    returns = log.comebacks.select("comeback_id", bike="bike_id", same_brake="brake")
    pairs = linked.join(returns, on="comeback_id", how="inner")
    assert pairs.filter(pl.col("bike_id") == pl.col("bike"), pl.col("brake") == pl.col("same_brake")).height == len(
        log.comebacks
    )


def test_the_audit_counts_what_came_back_or_gives_no_rate(mapped: Mapped) -> None:
    report = run_audit(mapped.log, built_in())
    row = report.rates.filter(pl.col("kind") == "all").row(0, named=True)
    text = findings(report)[1].text
    if mapped.shop.returns:
        followed, back = mapped.shop.came_back(report.as_of, WINDOW)
        assert (row["mature"], row["comebacks"], row["rate"]) == (followed, back, pytest.approx(back / followed))
        assert text == f"{100 * back / followed:.1f}% of bleeds came back within 90 days."
    else:
        assert text == "Comeback rate unknown: no returns were read."
        assert row["rate"] is None
        assert report.rates.get_column("rate").count() == report.months.get_column("rate").count() == 0


def test_words_for_other_brakes_are_rejected_with_one_reason(mapped: Mapped) -> None:
    rejected = mapped.log.set_aside.filter(pl.col("action") == "row_set_aside")
    assert set(rejected.get_column("rule")) <= {"out_of_scope"}
    assert rejected.height == mapped.shop.rows - len(mapped.shop.bleeds)
