"""Lots, kits, workshops and people with a name that the tables use themselves: results are those of any other name."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from analysis.audit import run_audit
from analysis.boards import count_cells
from analysis.dataset import bleed_data
from analysis.intake import Log
from analysis.plan import try_procedure
from analysis.standard import built_in
from schemas import AUDIT_TABLES
from synthetic import Workshop, simulate
from tests.build import table
from tests.simulated_logs import log_of_made

COLUMNS = ("fluid_lot", "kit_id", "shop", "technician", "brake_model")
WORDS = ("all", "others", "not recorded")
ORDINARY = {word: f"{word[:-1]}~" for word in WORDS}
"""Names with the same place in alphabetical order, so that the same random numbers are drawn for each."""
LARGE = Workshop(sessions=800, fluid_lots=3, kits=2, base_rate=0.15)


@pytest.fixture(scope="module")
def base() -> Log:
    log = log_of_made(simulate(LARGE, 4))
    shop = pl.Series("shop", np.random.default_rng(1).choice(["A", "B", "C"], log.sessions.height))
    return replace(log, sessions=log.sessions.with_columns(shop))


def renamed(log: Log, names: tuple[str, ...]) -> Log:
    """The log with each column's most frequent values called so; a change in the workshop of that name."""
    columns = [log.sessions.get_column(column) for column in COLUMNS]
    new = []
    for column in columns:
        counts = column.drop_nulls().value_counts().sort("count", column.name, descending=True)
        new.append(column.replace(dict(zip(counts.get_column(column.name), names, strict=False))))
    change = {"shop": names[0], "began_on": dt.date(2025, 3, 1), "what": "new kit stand", "step": "purge"}
    measures = table("measures", [change, change | {"shop": None, "began_on": dt.date(2025, 1, 10)}])
    return replace(log, sessions=log.sessions.with_columns(new), measures=measures)


def results(log: Log) -> dict[str, pl.DataFrame]:
    report = run_audit(log, built_in())
    data = bleed_data(log, built_in(), report.window_days)
    tables = {name: getattr(report, name) for name in AUDIT_TABLES}
    tables["cells"], tables["few cells"] = count_cells(report).table, count_cells(report, 60).table
    tables["procedure"] = try_procedure(log, data, built_in(), np.random.default_rng(1)).table
    return tables


def with_reserved(frame: pl.DataFrame) -> pl.DataFrame:
    """The ordinary names replaced by those words, in their order."""
    texts: Any = pl.selectors.string()
    for word, ordinary in ORDINARY.items():
        texts = texts.str.replace_all(ordinary, word, literal=True)
    return frame.with_columns(texts)


def test_a_word_of_ours_is_a_name_like_any_other(base: Log) -> None:
    log = renamed(base, WORDS)
    reserved, ordinary = results(log), results(renamed(base, tuple(ORDINARY.values())))
    for kind in ("fluid_lot", "kit_id"):
        groups = reserved["lots"].filter(pl.col("kind") == kind).get_column("group").to_list()
        assert groups == [None, *log.sessions.get_column(kind).drop_nulls().unique().sort()]
    for name, frame in ordinary.items():
        expected = with_reserved(frame)
        if name == "few cells":
            expected = expected.with_columns(pl.col(*COLUMNS[2:]).replace({"others": "(others)"}))
        assert_frame_equal(reserved[name], expected, check_exact=True)
