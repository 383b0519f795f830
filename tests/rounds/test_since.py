"""An audit compared with an earlier one: the folder that is read, the table of changes, predictions and repeated looks.

Sources: alpha spending, K. K. G. Lan & D. L. DeMets 1983, Biometrika 70:659-663; exact limits of a Poisson mean, F. Garwood
1936, Biometrika 28:437-442.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import nbinom

from analysis.audit import AuditSettings, run_audit, run_stages
from analysis.commands.audit_folder import write_report
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.dataset import bleed_data
from analysis.errors import UserError
from analysis.intake import read_log
from analysis.monitoring import variance_between_months
from analysis.output import read_earlier
from analysis.pages import findings
from analysis.pages.lead import lead_questions
from analysis.report import Clock, Report
from analysis.risk.hazard_model import WindowHazard
from analysis.rounds import compare_with_earlier_audit
from analysis.rounds.earlier import SignificanceLevels, look_level
from analysis.rounds.predictions import BleedsStillOut, compare_predictions
from analysis.standard import built_in
from analysis.survival import WHOLE_LOG, ObservationWindow
from schemas import empty
from schemas.outputs import Predictions
from synthetic import co_operative, write_simulation
from tests.rounds.two_audits import audit, earlier_of, false_changes, missed_changes, quiet, up_to, with_planted_changes
from tests.shops import exports

FIRST_DAY, SECOND_DAY = dt.date(2026, 5, 31), dt.date(2026, 6, 30)


@cache
def first_report() -> Report:
    """An audit up to the end of May."""
    options = AuditOptions((str(exports()),), exports().parent / "may", as_of=FIRST_DAY, pages=False)
    return audit_exports(options).report


def first() -> Path:
    """Its folder."""
    first_report()
    return exports().parent / "may"


@cache
def few_exports() -> Path:
    """So few bleeds that an audit takes a second."""
    folder = exports().parent / "few"
    folder.mkdir()
    write_simulation(co_operative(3, 300), folder / "exports")
    return folder / "exports"


@cache
def second() -> Path:
    """The folder of an audit a month later, with the first one's list filled in."""
    done = exports().parent / "done.csv"
    with (first() / "to_do.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row |= {"done_on": "2026-06-03", "by": "Wren", "outcome": "re_bled"}
    with done.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    out = exports().parent / "june"
    audit_exports(AuditOptions((str(exports()), str(done)), out, as_of=SECOND_DAY, since=first()))
    return out


def table(folder: Path, name: str) -> pl.DataFrame:
    return pl.read_csv(folder / "tables" / f"{name}.csv", infer_schema_length=None)


def checksums(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_recalls_that_were_done_are_closed_and_the_earlier_folder_is_unchanged() -> None:
    before = checksums(first())
    listed = pl.read_csv(first() / "to_do.csv").filter(pl.col("kind") == "recall")
    closed = table(second(), "changes").filter(pl.col("kind") == "recall_closed", pl.col("state_now") == "re_bled")
    assert set(listed.get_column("session_id")) <= set(closed.get_column("subject"))
    assert listed.height > 0
    assert checksums(first()) == before


def test_nothing_changed_in_records_and_groups() -> None:
    kinds = table(second(), "changes").get_column("kind").to_list()
    assert not {"records_missing", "records_changed", "group_gone"} & set(kinds)
    assert "same_bleeds" in kinds


def test_the_pages_open_with_what_changed() -> None:
    lead, overview = ((second() / name).read_text("utf-8") for name in ("lead.html", "index.html"))
    assert lead.index('id="since"') < lead.index('id="holds"')
    assert "Since the last audit: " in overview
    assert "since" not in [question.id for question in lead_questions(first_report())]


def test_the_list_is_a_sheet_and_a_table_with_the_same_rows() -> None:
    listed = pl.read_csv(first() / "to_do.csv", infer_schema=False)
    sheet = pl.read_excel(first() / "to_do.xlsx", sheet_name="to do", infer_schema_length=0)
    assert sheet.columns == listed.columns
    assert sheet.get_column("action_id").to_list() == listed.get_column("action_id").to_list()
    assert listed.get_column("outcome").null_count() == listed.height


def test_the_same_in_a_notebook(tmp_path: Path) -> None:
    audit_exports(AuditOptions((str(few_exports()),), tmp_path / "may", as_of=FIRST_DAY, pages=False))
    report = run_audit(read_log(few_exports(), as_of=SECOND_DAY), built_in(), since=tmp_path / "may")
    assert report.look == 1
    assert str(findings(report)[0]).startswith("Since the last audit: ")


def test_the_same_bleeds_are_counted_on_the_same_days_of_recorded_returns() -> None:
    """Without new returns nothing changes, also where returns were recorded on some days only."""
    log = read_log(few_exports(), as_of=FIRST_DAY)
    recorded = ObservationWindow(dt.date(2025, 9, 1), dt.date(2026, 4, 30))
    earlier = earlier_of(run_audit(log, observation_window=recorded))
    report = run_stages(log, built_in(), AuditSettings(covered=recorded, since=earlier), Clock())
    row = report.changes.filter(pl.col("kind") == "same_bleeds").row(0, named=True)
    assert row["before"] == pytest.approx(row["now"], abs=1e-12)
    assert row["note"].startswith(f"{report.data.bleeds.get_column('mature').sum():,} bleeds")
    assert report.data.bleeds.get_column("mature").sum() < bleed_data(log, built_in(), 90).bleeds["mature"].sum()


def test_codes_are_not_compared_with_names() -> None:
    report = first_report()
    hidden = replace(earlier_of(report), names_hidden=True)
    with pytest.raises(UserError, match="has codes for names"):
        compare_with_earlier_audit(report, hidden, WHOLE_LOG)


def test_notes_of_the_earlier_audit_reach_the_report_and_its_folder_is_never_replaced() -> None:
    report = first_report()
    earlier = replace(earlier_of(report), folder=str(first()), window_days=60, notes=("No model was saved.",))
    compared = compare_with_earlier_audit(report, earlier, WHOLE_LOG)
    assert compared.notes[-2] == "No model was saved."
    assert "window was 60 days" in compared.notes[-1]
    with pytest.raises(UserError, match="contains an input of this run"):
        write_report(compared, first())


@pytest.mark.parametrize("part", ["manifest.json", "log/sessions.parquet", "tables/holds.csv", "model.npz"])
def test_a_missing_part_is_named(tmp_path: Path, part: str) -> None:
    shutil.copytree(first(), tmp_path / "old")
    (tmp_path / "old" / part).unlink()
    with pytest.raises(UserError) as error:
        read_earlier(tmp_path / "old")
    assert part in str(error.value)


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    shutil.copytree(first(), tmp_path / "old")
    path = tmp_path / "old" / "tables" / "steps.csv"
    pl.read_csv(path, infer_schema=False).drop("verdict").write_csv(path)
    with pytest.raises(UserError, match=r"steps\.csv: column verdict"):
        read_earlier(tmp_path / "old")


@pytest.mark.parametrize("path", ["nowhere", "."])
def test_any_other_folder_is_refused(tmp_path: Path, path: str) -> None:
    with pytest.raises(UserError, match="--since"):
        read_earlier(tmp_path / path)


def test_a_later_audit_is_refused() -> None:
    options = AuditOptions((str(exports()),), exports().parent / "april", as_of=dt.date(2026, 4, 30), since=first())
    with pytest.raises(UserError, match="later than this one"):
        audit_exports(options)
    assert not (exports().parent / "april").exists()


def test_named_and_hidden_audits_are_not_mixed() -> None:
    options = AuditOptions((str(exports()),), exports().parent / "mixed", hide_names=True, since=first())
    with pytest.raises(UserError, match="two audits with --hide-names, or two without"):
        audit_exports(options)


def test_a_constant_hazard_gives_the_chance_of_each_day_times_the_days_out() -> None:
    """P(return on a day | still out) = 1 − exp(−h); the hazard follows from the window's risk."""
    hazard, days = 0.0004, np.arange(91)
    window = WindowHazard(hazard * days / 3.0, np.ones(91))
    risk, age, last = np.full(4, 1 - np.exp(-90 * hazard)), np.array([0, 30, 80, 20]), np.array([31, 61, 90, 15])
    expected = (1 - np.exp(-hazard)) * np.array([31, 31, 10, 0])
    assert window.expected_between(risk, age, last) == pytest.approx(expected, rel=1e-9)


def interim_of(n: int, comebacks: int) -> BleedsStillOut:
    none = np.zeros(n, dtype=bool)
    return BleedsStillOut(np.full(n, 0.1), np.full(n, 0.05), np.zeros((n, 1)), np.arange(n) < comebacks, none, none)


def test_rounds_add_up_and_limits_are_those_of_a_poisson_mean() -> None:
    days = (FIRST_DAY, SECOND_DAY)
    one = compare_predictions(interim_of(80, 6), np.zeros((1, 1)), 10**12, days, empty(Predictions))
    later = (SECOND_DAY, dt.date(2026, 7, 31))
    two = compare_predictions(interim_of(80, 4), np.zeros((1, 1)), 10**12, later, one)
    total = two.filter(pl.col("round").is_null(), pl.col("group") == "all").row(0, named=True)
    assert (total["observed"], total["expected"], total["look"]) == (10, pytest.approx(8.0), 2)
    assert (total["from_day"], total["to_day"]) == (FIRST_DAY, later[1])
    assert [8 * total[f"ratio_{side}"] for side in ("lo", "hi")] == pytest.approx(
        [4.795, 18.390], abs=0.002
    )  # Garwood, 10
    assert two.filter(pl.col("group") == "all").get_column("round").to_list() == [1, 2, None]


def test_far_more_comebacks_than_predicted_are_a_signal() -> None:
    rows = compare_predictions(
        interim_of(80, 20), np.zeros((1, 1)), 10**12, (FIRST_DAY, SECOND_DAY), empty(Predictions)
    )
    assert rows.filter(pl.col("round").is_null()).get_column("signal").to_list() == ["high"]


def test_months_that_vary_are_no_signal() -> None:
    days = (FIRST_DAY, SECOND_DAY)
    alike, varying = (
        compare_predictions(interim_of(400, 40), np.zeros((1, 1)), 10**12, days, empty(Predictions), variance)
        .filter(pl.col("round").is_null(), pl.col("group") == "all")
        .row(0, named=True)
        for variance in (0.0, 0.2)
    )
    assert (alike["signal"], varying["signal"]) == ("high", "none")
    assert varying["ratio_lo"] < alike["ratio_lo"] < varying["ratio"] == alike["ratio"] == pytest.approx(2)


@pytest.mark.parametrize("variance", [0.01, 0.09])
def test_the_variance_between_months_is_that_of_their_rates(variance: float) -> None:
    rng, bleeds = np.random.default_rng(4), np.full(24, 1000.0)
    months = rng.poisson(bleeds * 0.1 * rng.gamma(1 / variance, variance, (50, 24))).astype(float)
    assert np.mean([variance_between_months(counts, bleeds) for counts in months]) == pytest.approx(variance, rel=0.4)


def test_the_first_look_spends_what_lan_and_demets_give() -> None:
    assert look_level(1) == pytest.approx(0.05 * np.log1p((np.e - 1) / 12), rel=1e-4)
    assert look_level(0) == 0.05
    assert SignificanceLevels.at(2).is_new(0.02, 0.001)
    assert not SignificanceLevels.at(2).is_new(0.001, 0.0005)


def test_twelve_looks_err_one_time_in_twenty() -> None:
    rng = np.random.default_rng(8)
    z = np.cumsum(rng.standard_normal((40_000, 12)), axis=1) / np.sqrt(np.arange(1, 13))
    from analysis.stats import normal_tail

    levels = np.array([look_level(look) for look in range(1, 13)])
    error = (2 * normal_tail(np.abs(z)) <= levels).any(axis=1).mean()
    assert error == pytest.approx(0.05, abs=0.0035)  # three standard errors of 40,000 draws


def test_a_family_of_fifty_tests_errs_a_little_more_often() -> None:
    """Adjusted for the fifty at each look (Bonferroni), then spent over twelve: 6.7% of years, as METHODS.md states."""
    from analysis.stats import normal_tail

    z = np.cumsum(np.random.default_rng(8).standard_normal((4000, 50, 12)), axis=2) / np.sqrt(np.arange(1, 13))
    levels = np.array([look_level(look) for look in range(1, 13)])
    error = (100 * normal_tail(np.abs(z).max(axis=1)) <= levels).any(axis=1).mean()
    assert error == pytest.approx(0.067, abs=0.012)  # three standard errors of 4,000 years


def test_no_bleed_of_a_group_with_an_estimated_pace_comes_one_time_in_257() -> None:
    """36 in 180 days, none in 30: negative binomial by scipy, against e⁻⁶ with a known pace."""
    assert 1 / nbinom.pmf(0, 36, 180 / 210) == pytest.approx(257, abs=0.5)


@pytest.mark.truth
@pytest.mark.parametrize("seed", range(4))
def test_a_quiet_month_has_no_change(seed: int) -> None:
    assert not false_changes(quiet("equal people", seed)[1])


@pytest.mark.truth
@pytest.mark.parametrize("seed", range(4))
def test_every_planted_change_is_reported(seed: int) -> None:
    from synthetic import scenario_workshop, simulate
    from tests.simulated_logs import log_of_made

    whole = log_of_made(simulate(scenario_workshop("base", 1600), seed))
    one = audit(up_to(whole, whole.as_of - dt.timedelta(days=31)))
    assert not missed_changes(one, audit(with_planted_changes(whole, one), earlier_of(one)))


@pytest.mark.slow
def test_codes_stay_the_same_from_audit_to_audit_and_nobody_is_named(tmp_path: Path) -> None:
    one, two = tmp_path / "may", tmp_path / "june"
    audit_exports(AuditOptions((str(exports()),), one, as_of=FIRST_DAY, hide_names=True, pages=False))
    done = tmp_path / "done.csv"
    listed = pl.read_csv(one / "to_do.csv", infer_schema=False)
    by = pl.Series(["Wren", "Ivy Newcomer"] * listed.height)[: listed.height]
    listed.with_columns(done_on=pl.lit("2026-06-02"), outcome=pl.lit("firm"), by=by).write_csv(done)
    files = (str(exports()), str(done))
    audit_exports(AuditOptions(files, two, as_of=SECOND_DAY, hide_names=True, since=one, pages=False))
    before, now = (pl.read_csv(tmp_path / f"{name}.names.csv") for name in ("may", "june"))
    assert before.join(now, on=["technician", "code"], how="anti").is_empty()
    changes = table(two, "changes").get_column("kind").to_list()
    assert not {"group_new", "group_gone", "records_changed", "records_missing"} & set(changes)
    assert "recall_closed" in changes
    texts = [path.read_text("utf-8") for path in two.rglob("*") if path.suffix in (".csv", ".json")]
    assert not any(name in text for text in texts for name in ("Wren", "Ivy Newcomer"))
