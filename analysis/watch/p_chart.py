"""Monthly shares within the limits chance explains, widened (Laney) where months vary more than chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
SIGMAS = 3.0
D2 = 1.128
"""Mean moving range of two over the standard deviation, three decimals as printed in the handbooks."""


@dataclass(frozen=True)
class Limits:
    """Centre, lower and upper limit, one a month; `sigma_z` above 1 where limits were widened."""

    centre: float
    lower: Numbers
    upper: Numbers
    sigma_z: float


def p_chart(counts: Numbers, sizes: Numbers, *, widen: bool = True, centre: float | None = None) -> Limits:
    """Three-sigma limits of shares of different sizes.

    Sources: D. C. Montgomery, Introduction to Statistical Quality Control, section 7.3; widening, D. B. Laney 2002, Qual.
    Eng. 14:531-537: sigma_z is the mean moving range of the z-scores over 1.128. Limits are only ever widened.

    Parameters
    ----------
    counts, sizes
        One a month, sizes above 0.
    widen
        Whether months that vary more than chance widen the limits.
    centre
        Of the shares; that of all months unless given.
    """
    p = float(counts.sum() / sizes.sum()) if centre is None else centre
    sd = np.sqrt(p * (1 - p) / sizes)
    z = (counts / sizes - p) / np.where(sd > 0, sd, 1.0)
    sigma_z = float(np.abs(np.diff(z)).mean() / D2) if widen and len(z) >= 2 else 1.0
    wide = max(sigma_z, 1.0) if widen else 1.0
    return Limits(p, np.maximum(p - SIGMAS * wide * sd, 0.0), np.minimum(p + SIGMAS * wide * sd, 1.0), sigma_z)
