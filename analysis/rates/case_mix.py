"""What the same mix of work would give: each bleed's expected risk from what came in, cross-fitted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.prepared import Prepared
from analysis.rates.left_out import left_out_risk
from analysis.rates.work import WORDS, Numbers, Work, work_of

__all__ = ["WORDS", "expected_risk"]
FOLDS = 5


def expected_risk(
    prepared: Prepared,
    rng: np.random.Generator,
    *,
    without: str | None = None,
    work: Work | None = None,
) -> Numbers:
    """Each bleed's risk within the window by what came in alone, cross-fitted.

    Never technique, signs, technician or shop. A ridge logistic regression on mature bleeds; a bleed's prediction comes
    from a fit that saw no bleed of its bike. Scaled so that expected equals observed over all mature bleeds.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For the folds.
    without
        A context column that is itself compared, left out of the model.
    work
        `work_of(prepared.bleeds)`, where the caller has it already.

    Returns
    -------
    ndarray
        One risk a bleed, in the order of `prepared.bleeds`.
    """
    work = work or work_of(prepared.bleeds)
    kinds = work.kinds(without)
    mature = prepared.bleeds.get_column("mature").to_numpy()
    back = prepared.bleeds.get_column("came_back").to_numpy()
    fold = _folds(work.group(prepared.bleeds, "bike_id"), rng)
    risk = left_out_risk(kinds, fold, mature.astype(float), back.astype(float))
    expected, observed = risk[mature].sum(), float(back[mature].sum())
    return np.clip(risk * (observed / expected if expected > 0 else 1.0), 0, 1)


def _folds(bikes: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Bikes stay whole."""
    groups = bikes.max(initial=0) + 1
    return bikes if groups == 1 else rng.permutation(np.arange(groups) % FOLDS)[bikes]
