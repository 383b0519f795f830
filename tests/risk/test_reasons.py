"""Reasons: what was done or seen, never a person, and never an all-clear."""

from __future__ import annotations

import re

import numpy as np
import polars as pl
import pytest

from analysis.risk import attribute_risk
from analysis.risk.attributions import NO_REASON, predict_with_reasons
from tests.risk.simulated import fitted

ENDING = re.compile(r": adds \d+\.\d points$")


def reasons() -> pl.DataFrame:
    return predict_with_reasons(fitted().model, fitted().features, fitted().ready.standard)[1]


def every_reason() -> list[str]:
    table = reasons()
    return [text for name in table.columns for text in table.get_column(name).drop_nulls() if text != NO_REASON]


def test_several_batches_have_the_reasons_of_one(monkeypatch: pytest.MonkeyPatch) -> None:
    arguments = (fitted().model, fitted().features, fitted().ready.standard)
    risks, reason_table = predict_with_reasons(*arguments)
    monkeypatch.setattr("analysis.risk.model.BATCH_SIZE", 100)
    batch_risks, batch_reasons = predict_with_reasons(*arguments)
    assert batch_risks.risk == pytest.approx(risks.risk, rel=1e-9)
    assert batch_risks.hi == pytest.approx(risks.hi, rel=1e-9)
    assert batch_reasons.equals(reason_table)


def test_no_reason_names_a_person_or_a_shop() -> None:
    table = fitted().features
    names = {*table.get_column("technician"), *table.get_column("shop").drop_nulls()}
    words = set(re.findall(r"\w+", " ".join(every_reason())))
    assert not words & {word for name in names for word in re.findall(r"\w+", name) if word.istitle()} - {"Street"}


def test_each_reason_says_what_it_adds_and_the_strongest_comes_first() -> None:
    table = reasons()
    assert all(ENDING.search(text) for text in every_reason())
    for row in table.iter_rows():
        added = [float(text.rsplit("adds ", 1)[1].split()[0]) for text in row if text and text != NO_REASON]
        assert added == sorted(added, reverse=True)


def test_a_bleed_without_a_reason_says_so_and_nothing_else() -> None:
    table = reasons()
    none = table.filter(pl.col("reason_1") == NO_REASON)
    assert 0 < none.height < table.height
    assert none.select(pl.col("reason_2", "reason_3").null_count()).row(0) == (none.height, none.height)
    assert table.get_column("reason_1").null_count() == 0


def test_the_riskiest_bleeds_have_reasons() -> None:
    risk = fitted().model.predict(fitted().features).risk
    assert NO_REASON not in reasons()[np.argsort(-risk)[:30]].get_column("reason_1")


def test_what_a_reason_adds_is_its_attribution() -> None:
    shares = attribute_risk(fitted().model, fitted().features)
    added = shares.added[:, [shares.feature_groups.index("travel")]].sum(axis=1)
    table = reasons().with_row_index("row")
    travel = [
        (row, text)
        for name in ("reason_1", "reason_2", "reason_3")
        for row, text in table.select("row", name).drop_nulls().iter_rows()
        if text.startswith("lever travel") and "came in" not in text
    ]
    assert travel
    for row, text in travel:
        assert text.endswith(f": adds {100 * added[row]:.1f} points")


def test_passes_and_bubbles_are_one_reason() -> None:
    assert any(re.match(r"\d+ pass(es)?, bubbles still showing", text) for text in every_reason())
