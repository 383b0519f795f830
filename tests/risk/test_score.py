"""Scoring: the audit's exports get the audit's in_sample_risk, and new rows alone get the same risk as among all."""

from __future__ import annotations

import datetime as dt
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import polars as pl
import pytest

from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.commands.score import score_exports
from analysis.errors import UserError
from analysis.output import run_lock
from schemas.outputs import Risk
from tests.shops import run

SAME = 1e-9


@cache
def hidden_run() -> Path:
    out = Path(mkdtemp(prefix="rebleed-hidden-")) / "out"
    audit_exports(AuditOptions((str(run().exports),), out, hide_names=True))
    return out


def model(folder: Path | None = None) -> Path:
    return (folder or run().out) / "model.npz"


def audit_risks(folder: Path | None = None) -> pl.DataFrame:
    return pl.read_csv((folder or run().out) / "tables" / "risk.csv")


def largest_difference(one: pl.DataFrame, other: pl.DataFrame) -> float:
    both = one.join(other, on="session_id", validate="1:1")
    assert both.height == one.height == other.height
    return float((both["in_sample_risk"] - both["in_sample_risk_right"]).abs().max())


def test_the_audits_own_exports_get_its_model_risk() -> None:
    scored = score_exports([str(run().exports)], model())
    assert largest_difference(scored.risk, audit_risks()) <= SAME
    assert scored.risk.get_column("out_of_time").sum() == 0


def test_the_last_day_given_leaves_out_later_rows_and_moves_the_list() -> None:
    days = pl.read_csv(run().exports / "sessions.csv").get_column("started_at").str.slice(0, 10).sort()
    as_of = dt.date.fromisoformat(days[-200])
    scored = score_exports([str(run().exports)], model(), as_of=as_of).risk
    assert scored.height == (days <= days[-200]).sum() < len(days)


def test_rows_alone_get_the_risk_they_had_among_all(tmp_path: Path) -> None:
    sessions = pl.read_csv(run().exports / "sessions.csv", infer_schema=False)
    days = sessions.get_column("started_at").str.slice(0, 10).unique().sort().tail(20).to_list()
    last = sessions.filter(pl.col("started_at").str.slice(0, 10).is_in(days))
    last.write_csv(tmp_path / "sessions.csv")
    scored = score_exports([str(tmp_path)], model()).risk
    among = audit_risks().filter(pl.col("session_id").is_in(last.get_column("session_id").to_list()))
    assert largest_difference(scored, among) <= SAME


def test_bleeds_after_the_models_last_day_unknown_people_and_models_and_empty_rows_have_a_risk(tmp_path: Path) -> None:
    rows = {
        "session_id": ["N1", "N2"],
        "bike_id": ["X1", "X2"],
        "brake": ["front", "rear"],
        "technician": ["Somebody New", "Somebody New"],
        "started_at": ["2027-03-01", "2027-03-02"],
        "brake_model": ["Unheard Of", None],
        "bubbles_last": ["7", None],
    }
    pl.DataFrame(rows).write_csv(tmp_path / "bleeds.csv")
    scored = score_exports([str(tmp_path / "bleeds.csv")], model(), out=tmp_path / "risk.csv")
    assert scored.risk.get_column("out_of_time").to_list() == [True, True]
    assert scored.risk.get_column("risk").is_between(0, 1, closed="none").all()
    table = pl.read_csv(tmp_path / "risk.csv")
    assert table.columns == list(Risk.to_schema().columns)
    assert "2 bleeds scored" in scored.text


def test_a_model_that_knows_codes_asks_for_hide_names_and_then_agrees() -> None:
    with pytest.raises(UserError, match="was fitted with codes"):
        score_exports([str(run().exports)], model(hidden_run()))
    scored = score_exports([str(run().exports)], model(hidden_run()), hide_names=True)
    assert largest_difference(scored.risk, audit_risks(hidden_run())) <= SAME


def test_hidden_names_are_not_in_the_model_file() -> None:
    names = pl.read_csv(run().exports / "sessions.csv", infer_schema=False).get_column("technician").unique()
    import zipfile

    with zipfile.ZipFile(model(hidden_run())) as archive:
        content = b"".join(archive.read(part) for part in archive.namelist())
    assert not [name for name in names if name.encode() in content]


def test_scoring_never_replaces_its_export_or_a_folder(tmp_path: Path) -> None:
    fresh = tmp_path / "fresh.csv"
    fresh.write_bytes((run().exports / "sessions.csv").read_bytes())
    with pytest.raises(UserError, match="is a folder"):
        score_exports([str(fresh)], model(), out=tmp_path)
    with pytest.raises(UserError, match="already exists"):
        score_exports([str(fresh)], model(), out=fresh)
    assert fresh.read_bytes() == (run().exports / "sessions.csv").read_bytes()


def test_another_tables_key_to_names_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "risk.csv.names.csv").write_text("technician,code\nWren,T-BBB\n")
    with pytest.raises(UserError, match=r"risk\.csv\.names\.csv"):
        score_exports([str(run().exports)], model(), out=tmp_path / "risk.csv", hide_names=True)
    assert (tmp_path / "risk.csv.names.csv").read_text() == "technician,code\nWren,T-BBB\n"
    assert not (tmp_path / "risk.csv").exists()


def test_a_model_with_codes_waits_for_the_audit_that_writes_its_key() -> None:
    with run_lock(hidden_run()), pytest.raises(UserError, match="another run is writing"):
        score_exports([str(run().exports)], model(hidden_run()), hide_names=True)


def test_the_audit_writes_risks_for_every_bleed_and_the_manifest_names_the_model() -> None:
    assert audit_risks().height == run().audited.report.log.sessions.height
    assert audit_risks().filter("out_of_time").height > 0
    report = run().audited.report
    check = report.standard.second_check
    first = report.as_of - dt.timedelta(days=check.worklist_days - 1)
    recent = report.data.bleeds.filter(pl.col("started_at").dt.date() >= first, pl.col("end") == "as_of")
    risks = audit_risks().join(recent, on="session_id", how="semi").get_column("risk")
    assert len(risks) > 0
    worth_it = (risks >= report.break_even_risk).sum()
    assert audit_risks().get_column("on_worklist").sum() == min(worth_it, int(check.per_week))
