"""G-computation on the time-to-return model against the same sum over an independent library's fit.

Source: arrests of 432 released prisoners (P. H. Rossi, R. A. Berk & K. J. Lenihan 1980) as shipped with lifelines;
statsmodels' PHReg gives coefficients and baseline. 'Prior arrests above two' takes the place of the missed step.
"""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from lifelines.datasets import load_rossi
from statsmodels.duration.hazard_regression import PHReg

from analysis.dataset import BleedData
from analysis.standard import built_in
from analysis.steps import estimate_marginal_effects
from analysis.steps.design_matrix import Design

WINDOW_WEEKS = 30
ARRESTS = load_rossi()
MISSED = (ARRESTS["prio"] > 2).to_numpy(dtype=float)
X = np.column_stack([MISSED, ARRESTS[["fin", "age", "race", "mar"]].to_numpy(dtype=float)])
CENTRED = X - X.mean(axis=0)


def prepared_of_arrests(gap_weeks):
    frame = {
        "days_at_risk": ARRESTS["week"].to_numpy(dtype=np.int64),
        "end": ["return" if arrest else "as_of" for arrest in ARRESTS["arrest"]],
        "age_days": np.full(len(X), 52),
        "next_bleed_days": gap_weeks,
    }
    bleeds = pl.DataFrame(frame, schema_overrides={"next_bleed_days": pl.Int64})
    return BleedData(bleeds, pl.DataFrame(), built_in(), dt.date(2026, 6, 30), WINDOW_WEEKS)


def prevented_by_the_other_library(horizon):
    theirs = PHReg(ARRESTS["week"].to_numpy(), CENTRED, status=ARRESTS["arrest"].to_numpy(), ties="breslow").fit()
    times, before, _ = theirs.baseline_cumulative_hazard[0]
    hazard = np.array([before[times > h].min() for h in horizon])  # theirs is the hazard up to, not with, each time
    linear = CENTRED @ theirs.params
    return 100 * np.mean(
        np.exp(-hazard * np.exp(linear - theirs.params[0] * MISSED)) - np.exp(-hazard * np.exp(linear))
    )


@pytest.mark.parametrize("gap", [None, 12])
def test_comebacks_prevented_equal_the_sum_over_an_independent_fit(gap):
    gaps = [gap if row % 3 == 0 else None for row in range(len(X))]
    horizon = np.array([WINDOW_WEEKS if g is None else g for g in gaps])
    rows = np.arange(len(X))
    design = Design(CENTRED, ("prior", "fin", "age", "race", "mar"), (), ("prior",), MISSED[:, None],
                    np.zeros((len(X), 1)), rows)  # fmt: skip
    ours = estimate_marginal_effects(prepared_of_arrests(gaps), design)
    assert ours.prevented[0] == pytest.approx(
        prevented_by_the_other_library(horizon), abs=1e-5
    )  # both converge to 1e-8
    assert 0 < ours.sd[0] < 5
