"""Follow-up of bleeds as the `y` of scikit-learn: a structured array, or labels of a whole window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
STILL_OUT, COMEBACK, NEXT_BLEED = 0, 1, 2
"""Values of `event`: nothing yet, a comeback, the brake's next bleed."""
FOLLOW_UP = np.dtype([("days", np.int64), ("event", np.int64), ("observed_days", np.int64)])
"""`y`: days at risk, how they ended, and on how many days a return would have been recorded."""


@dataclass(frozen=True)
class FollowUp:
    """Follow-up of n bleeds: days at risk, whether a return or the brake's next bleed ended them, and the days on which a
    return would have been recorded.
    """

    days: NDArray[np.int64]
    returned: NDArray[np.bool_]
    next_bleed: NDArray[np.bool_]
    observed_days: NDArray[np.int64]

    @classmethod
    def from_array(cls, y: NDArray) -> FollowUp:
        """From a structured array; `observed_days` may be missing where nothing but the end of follow-up ends a bleed's days."""
        days, event = y["days"].astype(np.int64), y["event"].astype(np.int64)
        observed = y["observed_days"].astype(np.int64) if "observed_days" in (y.dtype.names or ()) else days
        return cls(days, event == COMEBACK, event == NEXT_BLEED, observed)

    def to_array(self) -> NDArray:
        y = np.empty(len(self.days), dtype=FOLLOW_UP)
        y["days"], y["observed_days"] = self.days, self.observed_days
        y["event"] = np.where(self.returned, COMEBACK, np.where(self.next_bleed, NEXT_BLEED, STILL_OUT))
        return y

    def censor_at(self, days: NDArray[np.int64]) -> FollowUp:
        """The follow-up as known when each bleed had been followed for this many days."""
        late, days = self.days > days, np.maximum(days, 0)
        return FollowUp(
            np.minimum(self.days, days),
            self.returned & ~late,
            self.next_bleed & ~late,
            np.minimum(self.observed_days, days),
        )

    def censor_all_at(self, days: int) -> FollowUp:
        """The follow-up censored at the same number of days for all bleeds."""
        return self.censor_at(np.full(len(self.days), days))

    def take(self, rows: NDArray[np.intp]) -> FollowUp:
        return FollowUp(self.days[rows], self.returned[rows], self.next_bleed[rows], self.observed_days[rows])

    def came_back(self, window_days: int) -> NDArray[np.bool_]:
        """Whether each bleed came back within the window and before the brake's next bleed."""
        return np.asarray(self.returned & (self.days <= window_days))

    def is_complete(self, window_days: int) -> NDArray[np.bool_]:
        """Whether each bleed was followed for the whole window; a comeback alone does not make it so."""
        return np.asarray(self.observed_days >= window_days)


def follow_up_of(bleeds: pl.DataFrame) -> NDArray:
    """`y` of bleeds with their follow-up (`schemas.intermediate.Followed`)."""
    end, days, observed = (bleeds.get_column(name) for name in ("end", "days_at_risk", "observed_days"))
    returned, next_bleed = ((end == kind).to_numpy() for kind in ("return", "next_bleed"))
    return FollowUp(days.to_numpy(), returned, next_bleed, observed.to_numpy()).to_array()


def as_follow_up(y: ArrayLike, window_days: int) -> FollowUp:
    """The follow-up in a structured array, or that of bleeds of which only the label of a whole window is known.

    The days of comebacks known by label alone are spread evenly over the window, in random order with a fixed seed: on one
    day, ties would weaken every effect.

    Raises
    ------
    ValueError
        A structured array without `days` and `event`, or negative days.
    """
    values = np.asarray(y)
    if values.dtype.names is None:
        whole, came_back = np.full(len(values), window_days), values.astype(bool)
        days, comebacks = whole.copy(), int(came_back.sum())
        days[came_back] = 1 + np.random.default_rng(0).permutation(comebacks) * window_days // max(comebacks, 1)
        return FollowUp(days, came_back, np.zeros(len(values), dtype=bool), whole)
    if not {"days", "event"} <= set(values.dtype.names):
        raise ValueError(
            f"y has the fields {', '.join(values.dtype.names)}; expected days and event (0 none yet, 1 comeback, 2 the "
            "brake's next bleed), and observed_days if known; see risk_data"
        )
    if len(values) and int(values["days"].min()) < 0:
        raise ValueError("y has negative days; expected whole days from the bleed, 0 or more")
    return FollowUp.from_array(values)


def mean_log_likelihood(risk: FloatArray, y: ArrayLike, window_days: int) -> float:
    """Minus the mean log loss of the bleeds followed for the whole window; higher is better.

    Raises
    ------
    ValueError
        No bleed was followed for the whole window.
    """
    follow_up = as_follow_up(y, window_days)
    complete = follow_up.is_complete(window_days)
    if not complete.any():
        raise ValueError(f"no bleed was followed for {window_days} days, so there is nothing to score")
    return -float(log_loss(np.clip(risk[complete], 1e-6, 1 - 1e-6), follow_up.came_back(window_days)[complete]).mean())


def log_loss(risk: FloatArray, came_back: NDArray[np.bool_]) -> FloatArray:
    """Log loss of each bleed."""
    return -np.where(came_back, np.log(risk), np.log1p(-risk))
