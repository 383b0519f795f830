"""How much groups differ beyond chance: the variance between them by the method of moments."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def between_variance(estimates: FloatArray, variances: FloatArray, centre: float | None = None) -> float:
    """Estimate the variance between groups from their estimates and sampling variances; 0 with fewer than two.

    Source: R. DerSimonian & N. Laird 1986, Control. Clin. Trials 7:177-188.

    Parameters
    ----------
    estimates, variances
        One a group; variances above 0.
    centre
        What the groups are held against; their mean weighted by precision unless given.
    """
    if len(estimates) < 2:
        return 0.0
    weight = 1 / variances
    centre = float(weight @ estimates / weight.sum()) if centre is None else centre
    q = float(weight @ (estimates - centre) ** 2)
    spread = weight.sum() - (weight**2).sum() / weight.sum()
    return max(0.0, float((q - (len(estimates) - 1)) / spread))
