"""Rank correlation."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def kendall_tau(first: ArrayLike, second: ArrayLike) -> float:
    """Kendall's tau-b of two rankings of the same items; NaN where all of one are tied.

    Source: M. G. Kendall 1945, Biometrika 33:239-251.
    """
    a, b = (np.sign(np.subtract.outer(values, values)) for values in (np.asarray(first), np.asarray(second)))
    untied = float((a * a).sum() * (b * b).sum())
    return float((a * b).sum()) / untied**0.5 if untied else float("nan")
