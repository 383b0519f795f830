"""Steps are told alike from a design written out and from one kept a row a level."""

from __future__ import annotations

import numpy as np
from polars.testing import assert_frame_equal

from analysis.steps import interactions, step_costs

CLOSE = 1e-7


def test_steps_and_interactions_of_a_design_kept_by_level_are_the_same(workshop, costs, monkeypatch) -> None:
    monkeypatch.setattr("analysis.steps.columns.GROUPED_FROM", 0)
    kept = step_costs(workshop, np.random.default_rng(1))
    assert_frame_equal(kept.table, costs.table, rel_tol=CLOSE, abs_tol=CLOSE)
    one, other = (interactions(workshop, told.design, told.by_return) for told in (kept, costs))
    assert_frame_equal(one, other, rel_tol=CLOSE, abs_tol=CLOSE)
