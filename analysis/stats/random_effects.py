"""Random effects: the variance between groups by the method of moments."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def between_variance(estimates: FloatArray, variances: FloatArray, centre: float | None = None) -> float:
    """Method-of-moments estimate of the between-group variance (tau²); 0 with fewer than two groups.

    Source: R. DerSimonian & N. Laird 1986, Control. Clin. Trials 7:177-188.

    Parameters
    ----------
    estimates, variances
        Each group's estimate and its sampling variance, above 0.
    centre
        The value that groups vary about; their precision-weighted mean unless given.
    """
    if len(estimates) < 2:
        return 0.0
    weight = 1 / variances
    centre = float(weight @ estimates / weight.sum()) if centre is None else centre
    q = float(weight @ (estimates - centre) ** 2)
    scale = weight.sum() - (weight**2).sum() / weight.sum()
    return max(0.0, float((q - (len(estimates) - 1)) / scale))
