"""The score test of a group that joins a time-to-return model, against the log-rank test."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines.statistics import logrank_test

from analysis.survival import Block, CoxModel, score_added_columns


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_without_other_columns_it_is_the_log_rank_test(seed: int) -> None:
    """lifelines' logrank_test (N. Mantel 1966); without tied times both have the same variance."""
    rng = np.random.default_rng(seed)
    time, event = rng.permutation(300), rng.random(300) < 0.4
    group = (rng.random(300) < 0.3).astype(float)
    x = np.zeros((300, 1))
    model = CoxModel.fit(x, time, event, blocks=[Block(0, 1, 1.0)])
    added = score_added_columns(model, x, group[:, None], time, event)
    theirs = logrank_test(time[group == 1], time[group == 0], event[group == 1], event[group == 0])
    assert added.score[0] ** 2 / added.information[0, 0] == pytest.approx(theirs.test_statistic, rel=1e-6)


def test_one_step_estimate_is_near_the_fitted_one() -> None:
    """One Newton step from 0 towards lifelines' maximum likelihood estimate of a small effect."""
    import pandas as pd
    from lifelines import CoxPHFitter

    rng = np.random.default_rng(4)
    group = (rng.random(4000) < 0.5).astype(float)
    time = rng.permutation(4000) + 1
    order = np.argsort(rng.exponential(np.exp(-0.2 * group)))
    group = group[order]
    time = np.arange(1, 4001)
    event = np.ones(4000, dtype=bool)
    x = np.zeros((4000, 1))
    model = CoxModel.fit(x, time, event, blocks=[Block(0, 1, 1.0)])
    estimate, error = score_added_columns(model, x, group[:, None], time, event).one_step(0)
    fitted = CoxPHFitter().fit(pd.DataFrame({"t": time, "e": event, "g": group}), "t", "e")
    assert estimate == pytest.approx(float(fitted.params_["g"]), abs=0.02)
    assert error == pytest.approx(float(fitted.standard_errors_["g"]), rel=0.05)
