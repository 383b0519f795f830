"""Monthly shares within the limits chance explains, widened (Laney) where months vary more than chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
SIGMAS = 3.0
D2 = 1.128
"""Mean moving range of two over the standard deviation, three decimals as printed in the handbooks."""


@dataclass(frozen=True)
class Limits:
    """Centre, lower and upper limit, one a month; `sigma_z` above 1 where limits were widened."""

    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    sigma_z: float


def p_chart(
    counts: FloatArray,
    sizes: FloatArray,
    *,
    widen: bool = True,
    centre: FloatArray | float | None = None,
    sigmas: float = SIGMAS,
) -> Limits:
    """Limits of shares of different sizes, three sigma unless told otherwise.

    Sources: D. C. Montgomery, Introduction to Statistical Quality Control, section 7.3; widening, D. B. Laney 2002, Qual.
    Eng. 14:531-537: sigma_z is the mean moving range of the z-scores over 1.128. Limits are only ever widened.

    Parameters
    ----------
    counts, sizes
        One a month, sizes above 0.
    widen
        Whether months that vary more than chance widen the limits.
    centre
        Of the shares, one a month or one for all; the share of all months unless given.
    sigmas
        How far the limits are from it.
    """
    p = np.broadcast_to(counts.sum() / sizes.sum() if centre is None else centre, np.shape(sizes)).astype(float)
    sd = np.sqrt(p * (1 - p) / sizes)
    sigma_z = float(moving_range_sigma(scores(counts, sizes, p))) if widen and len(p) >= 2 else 1.0
    reach = sigmas * (max(sigma_z, 1.0) if widen else 1.0) * sd
    return Limits(p, np.maximum(p - reach, 0.0), np.minimum(p + reach, 1.0), sigma_z)


def scores(counts: FloatArray, sizes: FloatArray, centre: FloatArray) -> FloatArray:
    """Shares in standard deviations from their centre, by chance alone; the last axis are months."""
    sd = np.sqrt(centre * (1 - centre) / sizes)
    return np.asarray((counts / sizes - centre) / np.where(sd > 0, sd, 1.0))


def moving_range_sigma(z: FloatArray) -> FloatArray:
    """Standard deviation from the mean moving range of the last axis."""
    return np.asarray(np.abs(np.diff(z, axis=-1)).mean(axis=-1) / D2)
