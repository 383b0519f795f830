"""What the same mix of work would give: each bleed's expected risk from what came in, cross-fitted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.rates.case_mix import CASE_MIX_FIELDS, CaseMix, FloatArray, build_case_mix
from analysis.rates.cross_fitted_risk import cross_fitted_risk

__all__ = ["CASE_MIX_FIELDS", "expected_risk"]
FOLDS = 5


def expected_risk(
    data: BleedData,
    rng: np.random.Generator,
    *,
    leaving_out: str | None = None,
    case_mix: CaseMix | None = None,
) -> FloatArray:
    """Each bleed's risk within the window by what came in alone, cross-fitted.

    Never technique, signs, technician or shop. A ridge logistic regression on mature bleeds; a bleed's prediction comes
    from a fit that saw no bleed of its bike. Scaled so that expected equals observed over all mature bleeds.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For the folds.
    leaving_out
        A context column that is itself compared, left out of the model.
    work
        `build_case_mix(prepared.bleeds)`, where the caller has it already.

    Returns
    -------
    ndarray
        One risk a bleed, in the order of `prepared.bleeds`.
    """
    case_mix = case_mix or build_case_mix(data.bleeds)
    kinds = case_mix.patterns(leaving_out)
    mature = data.bleeds.get_column("mature").to_numpy()
    back = data.bleeds.get_column("came_back").to_numpy()
    fold = _folds(case_mix.group(data.bleeds, "bike_id"), rng)
    risk = cross_fitted_risk(kinds, fold, mature.astype(float), back.astype(float))
    expected, observed = risk[mature].sum(), float(back[mature].sum())
    return np.clip(risk * (observed / expected if expected > 0 else 1.0), 0, 1)


def _folds(bikes: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Bikes stay whole."""
    groups = bikes.max(initial=0) + 1
    return bikes if groups == 1 else rng.permutation(np.arange(groups) % FOLDS)[bikes]
