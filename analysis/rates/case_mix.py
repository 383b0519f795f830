"""What the same mix of work would give: each bleed's expected risk from what came in, fitted without its own group."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.prepared import Prepared
from analysis.rates.left_out import left_out_risk
from analysis.rates.work import WORDS, Numbers, Work, work_of

__all__ = ["WORDS", "expected_risk"]
MOST_FOLDS = 20
FOLDS = 5


def expected_risk(
    prepared: Prepared,
    rng: np.random.Generator,
    *,
    kind: str = "bike_id",
    without: str | None = None,
    work: Work | None = None,
) -> Numbers:
    """Each bleed's risk within the window by what came in alone, cross-fitted.

    Never technique, signs, technician or shop. A ridge logistic regression on mature bleeds; a bleed's prediction comes
    from a fit that saw no bleed of its fold. Scaled so that expected equals observed over all mature bleeds.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For the folds.
    kind
        The column whose groups stay whole in a fold: the bike, or the group to be compared (left out of its own fit).
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
    fold = _folds(work.group(prepared.bleeds, kind), kind, rng)
    risk = left_out_risk(kinds, fold, mature.astype(float), back.astype(float))
    expected, observed = risk[mature].sum(), float(back[mature].sum())
    return np.clip(risk * (observed / expected if expected > 0 else 1.0), 0, 1)


def _folds(codes: NDArray[np.int64], kind: str, rng: np.random.Generator) -> NDArray[np.int64]:
    groups = codes.max(initial=0) + 1
    if groups == 1:
        return np.zeros(len(codes), dtype=np.int64) if kind != "bike_id" else codes
    many = FOLDS if kind == "bike_id" else min(groups, MOST_FOLDS)
    return rng.permutation(np.arange(groups) % many)[codes]
