"""The product-limit estimate of staying free of an event."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def product_limit(events: FloatArray, at_risk: FloatArray) -> FloatArray:
    """Share still free after each day; the last axis is days in order, and where nobody is left nothing ends.

    Source: E. L. Kaplan & P. Meier 1958, J. Am. Stat. Assoc. 53:457-481.
    """
    return np.asarray(np.cumprod(1 - events / np.maximum(at_risk, 1), axis=-1), dtype=np.float64)


def kaplan_meier(days: NDArray[np.int64], event: NDArray[np.bool_], last_day: int) -> FloatArray:
    """Share still free of the event after each day from 0 to `last_day`.

    Parameters
    ----------
    days, event
        Whole days followed, 0 or more, and whether they ended in the event; what ends after `last_day` counts as followed
        to it.
    last_day
        0 or more.
    """
    followed = np.minimum(days, last_day)
    ending = np.bincount(followed, minlength=last_day + 1)
    events = np.bincount(days[event & (days <= last_day)], minlength=last_day + 1)
    return product_limit(events.astype(float), ending[::-1].cumsum()[::-1].astype(float))
