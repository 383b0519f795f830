"""No feature of a bleed changes when later rows do: all were known when the bleed ended."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.dataset import bleed_data
from analysis.intake import Log
from analysis.risk import BleedFeatures, bleed_rows, build_history, risk_data
from analysis.risk import features as numbers
from analysis.standard import built_in
from analysis.survival import ObservationWindow
from schemas import validate_table
from schemas.intermediate import Links
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made

WINDOW = 30
DAYS = dt.timedelta(days=1)


@cache
def whole() -> Log:
    return log_of_made(simulate(scenario_workshop("repeats", 250), 8))


def features(log: Log) -> pl.DataFrame:
    standard = built_in()
    every_day = ObservationWindow(
        log.sessions.get_column("started_at").dt.date().min(), log.as_of
    )  # not guessed from later rows
    ready = bleed_data(log, standard, WINDOW, every_day)
    rows = bleed_rows(log, build_history(ready.bleeds, WINDOW))
    return rows.select("session_id").hstack(BleedFeatures(standard).fit_transform(rows))


def early(log: Log, moment: dt.datetime) -> list[str]:
    return log.sessions.filter(pl.col("started_at") <= moment).get_column("session_id").to_list()


def cut(log: Log, moment: dt.datetime) -> Log:
    """The log as known at that moment."""
    returns = log.comebacks.filter(pl.col("returned_at") <= moment)
    return replace(
        log,
        sessions=log.sessions.filter(pl.col("started_at") <= moment),
        comebacks=returns,
        links=log.links.filter(pl.col("comeback_id").is_in(returns.get_column("comeback_id").to_list())),
        as_of=moment.date(),
    )


def altered(log: Log, moment: dt.datetime, travel_mm: float, cycles: int, technician: str) -> Log:
    """Later bleeds changed, and every later return removed."""
    later = pl.col("started_at") > moment
    sessions = log.sessions.with_columns(
        pl.when(later).then(pl.lit(travel_mm)).otherwise("lever_travel_after_mm").alias("lever_travel_after_mm"),
        pl.when(later).then(pl.lit(cycles)).otherwise("cycles").alias("cycles"),
        pl.when(later).then(pl.lit(technician)).otherwise("technician").alias("technician"),
        pl.when(later).then(pl.lit("scheduled")).otherwise("job_reason").alias("job_reason"),
    )
    returns = log.comebacks.filter(pl.col("returned_at") <= moment)
    remaining = log.links.filter(pl.col("comeback_id").is_in(returns.get_column("comeback_id").to_list()))
    return replace(log, sessions=sessions, comebacks=returns, links=validate_table(Links, remaining))


def moments() -> st.SearchStrategy[dt.datetime]:
    return st.sampled_from(whole().sessions.get_column("started_at").to_list())


@settings(max_examples=12, deadline=None)
@given(moments())
def test_appended_rows_change_no_feature_of_an_earlier_bleed(moment: dt.datetime) -> None:
    before = features(cut(whole(), moment))
    after = features(whole()).filter(pl.col("session_id").is_in(early(whole(), moment)))
    assert before.equals(after)


@settings(max_examples=12, deadline=None)
@given(moments(), st.floats(0, 120), st.integers(0, 30), st.sampled_from(["Wren", "Sorrel", "Nobody"]))
def test_changed_later_rows_change_no_feature_of_an_earlier_bleed(
    moment: dt.datetime, travel_mm: float, cycles: int, technician: str
) -> None:
    changed = features(altered(whole(), moment, travel_mm, cycles, technician))
    remaining = pl.col("session_id").is_in(early(whole(), moment))
    assert features(whole()).filter(remaining).equals(changed.filter(remaining))


def test_a_changed_bleed_changes_its_own_features() -> None:
    first = whole().sessions.get_column("started_at").min()
    changed = features(altered(whole(), first, 99.0, 1, "Nobody"))
    assert not features(whole()).equals(changed)


def test_history_counts_only_outcomes_already_known() -> None:
    log = whole()
    table = bleed_data(log, built_in(), WINDOW).bleeds
    rates = (
        features(log)
        .select("session_id", "model_rate")
        .join(
            table.select("session_id", "started_at", "brake_model"), on="session_id", maintain_order="left", how="left"
        )
    )
    first = rates.filter(pl.col("started_at").dt.date() <= table["started_at"].min().date() + WINDOW * DAYS)
    assert first.get_column("model_rate").null_count() == first.height
    assert rates.get_column("model_rate").null_count() < rates.height


def test_the_order_of_the_number_fields_does_not_matter(monkeypatch) -> None:  # type: ignore[no-untyped-def]
    usual = features(whole())
    for name in ("CONTEXT_NUMBERS", "CASE_MIX_NUMBERS"):
        monkeypatch.setattr(numbers, name, tuple(reversed(getattr(numbers, name))))
    assert features(whole()).select(usual.columns).equals(usual)


def test_a_log_and_its_bleeds_have_the_same_features() -> None:
    rows = risk_data(whole(), built_in(), WINDOW)[0]
    of_log = BleedFeatures(built_in(), window_days=WINDOW).fit_transform(whole())
    assert of_log.equals(BleedFeatures(built_in()).fit_transform(rows))
