"""The proof counts what it should, goes on where it stopped, and spreads over a real cluster of two workers."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.errors import UserError
from analysis.prove import ProofWorkshop, SimulationResult, audit_simulation, proof, proof_workshops, run_proof
from analysis.prove.measures import OUTCOME_TARGETS
from analysis.prove.scenarios import ONE_OF_FIVE, ONE_OF_THREE
from analysis.prove.workshop_measures import ONE_FOUND, ONE_MISTAKEN, LastBleedPredictions, risk_figures


def world_held(family, estimate, truth, called=(False, False)):
    lo, hi = [e - 0.1 for e in estimate], [e + 0.1 for e in estimate]
    rank = [1 + sum(other > e for other in estimate) for e in estimate]
    return SimulationResult(family, 3000, ["purge", "reach"], estimate, lo, hi, rank, truth, estimate, list(called))


def value(table, measure):
    return table.filter(pl.col("measure") == measure).get_column("value").item()


def test_coverage_order_and_false_alarms_are_counted():
    table = proof(
        [
            *[world_held("base", [0.5, 0.1], [0.55, 0.4])] * 2,
            world_held("no step matters", [0.3, 0.0], [0.0, 0.0], (True, False)),
        ]
    )
    assert value(table, "interval coverage: base") == 0.5
    assert value(table, "the first-ranked step's interval includes the truth") == 1.0
    assert value(table, "rank correlation (Kendall's tau): additive air") == 1.0
    assert value(table, "no step matters: any step flagged") == 1.0


def test_a_mean_of_one_workshop_has_no_value():
    assert (
        value(proof([world_held("base", [0.5, 0.1], [0.55, 0.4])]), "rank correlation (Kendall's tau): additive air")
        is None
    )


def test_false_discoveries_and_the_worst_step_are_counted():
    table = proof(
        [world_held("base", [0.5, 0.1], [0.55, 0.0], (True, True)), world_held("base", [0.5, 0.1], [0.55, 0.4])]
    )
    assert value(table, "steps flagged that have no real effect") == 0.5
    assert value(table, "interval coverage: the worst step") == 0.5


def test_a_workshop_is_audited_and_compared_with_its_truth():
    one = audit_simulation(ProofWorkshop("base", 900, 5))
    assert len(one.estimate) == len(one.truth) > 5
    assert all(lo <= e <= hi for lo, e, hi in zip(one.lo, one.estimate, one.hi, strict=True))


def test_the_risk_is_compared_with_the_best_achievable():
    figures = audit_simulation(ProofWorkshop("base", 1500, 6)).risk
    assert figures["default trees"] < figures["share"] < figures["upper_bound"] < 1
    assert 0 < figures["caught"] < figures["most caught"]
    one = world_held("base", [0.5, 0.1], [0.55, 0.4])
    table = proof([replace(one, risk=figures)] * 2)
    row = table.filter(pl.col("measure") == "risk, share of the true risk's reduction in log loss: base").row(
        0, named=True
    )
    assert (row["value"], row["upper_bound"]) == pytest.approx((figures["share"], figures["upper_bound"]))
    assert row["aim"] == "at least 0.86"
    caught = table.filter(pl.col("measure") == "comebacks per 100 among the riskiest tenth").row(0, named=True)
    assert (caught["value"], caught["upper_bound"]) == pytest.approx((figures["caught"], figures["most caught"]))


def test_perfect_risks_reach_the_whole_gain_and_a_constant_none():
    truth = np.random.default_rng(3).uniform(0.01, 0.4, 500)
    last = LastBleedPredictions(pl.Series(range(500)), truth, np.full(500, truth.mean()))
    figures = risk_figures(last, truth, truth)
    assert figures["share"] == figures["upper_bound"] == pytest.approx(1.0)
    assert figures["default trees"] == pytest.approx(0.0, abs=1e-12)
    assert figures["slope"] == pytest.approx(1.0)
    assert figures["caught"] == figures["most caught"]


@pytest.fixture(scope="module")
def cut_short(tmp_path_factory):
    """A run that was stopped after three workshops and went on: its folder, table, and the lines of either part."""
    folder, message, rest = tmp_path_factory.mktemp("cut short"), [], []

    def stop_after_three(line):
        message.append(line)
        if len(message) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_proof(folder / "proof", 1, 100, None, stop_after_three)
    table = run_proof(folder / "proof", 1, 100, None, rest.append)
    return folder, table, message, rest


def test_an_interrupted_run_resumes(cut_short):
    folder, _, message, rest = cut_short
    assert len(message) == 3
    assert len(rest) == len(proof_workshops(1, 100)) - 3
    assert (folder / "proof" / "tables" / "prove.csv").exists()
    assert [path.name for path in folder.iterdir()] == ["proof"]


def test_a_cluster_of_two_workers_gives_the_table_of_an_interrupted_run(tmp_path, cut_short):
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=":0") as cluster:
        spread = run_proof(tmp_path / "spread", 1, 100, cluster.scheduler_address, lambda _: None)
    assert spread.equals(cut_short[1])


def test_a_cluster_that_does_not_answer_stops_with_a_message(tmp_path, monkeypatch):
    monkeypatch.setattr("analysis.prove.run.SECONDS_TO_ANSWER", 1)
    with pytest.raises(UserError, match="nothing answers"):
        run_proof(tmp_path / "new" / "proof", 1, 100, "tcp://127.0.0.1:9", lambda _: None)
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_place_of_the_results_folder_stops_with_a_message(tmp_path):
    (tmp_path / ".proof.worlds").write_text("mine")
    with pytest.raises(UserError, match=r"\.proof\.worlds"):
        run_proof(tmp_path / "proof", 1, 100, None, lambda _: None)
    assert (tmp_path / ".proof.worlds").read_text() == "mine"


@pytest.mark.parametrize("name", ["two technicians", "a shop stops writing returns", "months differ", ONE_OF_THREE])
def test_workshops_of_groups_and_months_give_outcomes_with_a_target(name):
    facts = audit_simulation(ProofWorkshop(name, 1200, 7)).facts
    assert facts
    assert {fact.measure for fact in facts} <= OUTCOME_TARGETS.keys()


def test_a_doubled_hazard_among_five_technicians_is_an_outcome():
    facts = {fact.measure: fact.true for fact in audit_simulation(ProofWorkshop(ONE_OF_FIVE, 3000, 7)).facts}
    assert set(facts) == {ONE_FOUND, ONE_MISTAKEN}
