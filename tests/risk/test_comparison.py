"""Another classifier against the risk model: the figures, the answer of the page, the option of the command."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import polars as pl
import pytest
from sklearn.dummy import DummyClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss, roc_auc_score

from analysis.audit import compare, named_classifiers
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.errors import UserError
from analysis.pages.analyst_comparison import comparison_questions
from analysis.report import Report
from analysis.risk import RebleedClassifier
from analysis.standard import built_in
from tests import shops


@cache
def report() -> Report:
    classifiers = {"mine": DummyClassifier(strategy="prior"), "ours again": _ours()}
    return replace(shops.report(), comparison=compare(shops.report(), classifiers))


def _ours() -> RebleedClassifier:
    leaks = tuple(step.id for step in built_in().steps if step.acts == "leak")
    return RebleedClassifier(90, leak_steps=leaks)


def figure(classifier: str, metric: str, baseline: str | None = None) -> dict[str, float]:
    rows = report().comparison.filter(pl.col("classifier") == classifier, pl.col("metric") == metric)
    return (rows if baseline is None else rows.filter(pl.col("baseline_name") == baseline)).row(0, named=True)


def test_the_risk_models_own_figures_are_those_of_the_report() -> None:
    own = report().comparison.filter(pl.col("classifier") == "rebleed").drop("classifier")
    assert own.equals(report().model)


def test_the_risk_model_given_as_another_classifier_is_no_better_than_itself() -> None:
    """It is not recalibrated on earlier folds, which makes no difference with so few comebacks."""
    assert figure("ours again", "log_loss_gain", "rebleed")["value"] == pytest.approx(0, abs=1e-7)
    assert figure("ours again", "auc")["value"] == pytest.approx(figure("rebleed", "auc")["value"], abs=1e-9)


def test_figures_equal_those_of_an_independent_library() -> None:
    tested = report().risk.join(report().data.bleeds, on="session_id").filter("out_of_time", "mature")
    risk, came_back = tested["risk"].to_numpy(), tested["came_back"].to_numpy()
    assert figure("rebleed", "log_loss")["value"] == pytest.approx(log_loss(came_back, risk), abs=1e-12)
    assert figure("rebleed", "auc")["value"] == pytest.approx(roc_auc_score(came_back, risk), abs=1e-12)
    difference = figure("mine", "log_loss")["value"] - figure("rebleed", "log_loss")["value"]
    assert figure("mine", "log_loss_gain", "rebleed")["value"] == pytest.approx(-difference, abs=1e-12)
    chosen = risk >= 0.1
    benefit = (came_back[chosen].sum() - (~came_back[chosen]).sum() * 0.1 / 0.9) / len(risk)
    assert figure("rebleed", "net_benefit_at_10")["value"] == pytest.approx(benefit, abs=1e-12)
    assert figure("rebleed", "net_benefit_at_10")["lo"] < benefit < figure("rebleed", "net_benefit_at_10")["hi"]


def test_the_page_says_which_is_better_by_an_interval() -> None:
    (question,) = comparison_questions(report())
    assert "ours again is not clearly better or worse than the risk model." in question.answer.text
    gain = figure("mine", "log_loss_gain", "rebleed")
    verdict = (
        "clearly worse" if gain["hi"] < 0 else "clearly better" if gain["lo"] > 0 else "not clearly better or worse"
    )
    assert f"mine is {verdict} than the risk model." in question.answer.text
    assert len(question.charts) == 4


def test_without_another_classifier_there_is_no_question() -> None:
    assert shops.report().comparison.is_empty()
    assert comparison_questions(shops.report()) == []


def test_the_command_compares_as_the_notebook_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The risks stay those of an audit without another classifier."""
    monkeypatch.chdir(tmp_path)
    module, exports = f"models_of_{tmp_path.name.replace('-', '_')}", str(shops.exports())
    text = "from sklearn.linear_model import LogisticRegression\nsmall = LogisticRegression(C=0.01, max_iter=500)\nword = 'no'\n"
    (tmp_path / f"{module}.py").write_text(text, "utf-8")
    result = audit_exports(AuditOptions((exports,), tmp_path / "out", classifiers=(f"{module}:small",)))
    in_notebook = compare(shops.report(), {f"{module}:small": LogisticRegression(C=0.01, max_iter=500)})
    assert result.report.comparison.equals(in_notebook)
    assert result.report.risk.equals(shops.report().risk)
    assert f"{module}:small" in (tmp_path / "out" / "analyst.html").read_text("utf-8")
    for name in (f"{module}:absent", "no_such_module:x", f"{module}:word", "nothing"):
        with pytest.raises(UserError, match="--classifier"):
            audit_exports(AuditOptions((exports,), tmp_path / "other", classifiers=(name,)))
    sys.modules.pop(module)


def test_one_classifier_is_named_after_its_class() -> None:
    assert list(named_classifiers(LogisticRegression())) == ["LogisticRegression"]
    assert named_classifiers(None) == {}


def test_the_name_of_the_risk_model_is_taken() -> None:
    with pytest.raises(UserError, match="'rebleed'"):
        compare(shops.report(), {"rebleed": LogisticRegression()})
