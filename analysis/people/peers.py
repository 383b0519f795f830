"""What the same work predicts for peers: each technician's share against everyone else on bleeds like theirs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.prepared import CASE_MIX
from analysis.rates import Kinds
from analysis.stats import level_codes

Numbers = NDArray[np.float64]
CONTEXT = ("brake_model", *(name for name in CASE_MIX if name not in ("bike_kind", "fluid_out")))
"""What decides how a brake is bled; the kind of bike and the old fluid do not."""
RIDGE = 1.0
"""Bleeds' worth of evidence against a context mattering: keeps a rare model from making a share of its own."""


@dataclass(frozen=True)
class Peers:
    """One value a technician, in the order of `technicians`.

    `peer_share` is what the others do on this person's mix of work; `excess_sd` the standard error of share less
    peer_share, from both sides' counts.
    """

    technicians: list[str]
    recorded: Numbers
    missed: Numbers
    share: Numbers
    peer_share: Numbers
    excess_sd: Numbers


def peers(technician: pl.Series, work: Kinds, steps: Iterable[pl.Series]) -> list[Peers]:
    """Each technician's share missed of each step beside what the rest predict for the same work.

    A least-squares line on the context, fitted without the technician it is held against (their sums are taken out
    of everyone's), is averaged over that technician's bleeds: indirect standardisation with the person left out.
    Bleeds where the step was not recorded are passed over. Everything is counted by technician and kind of work.

    Parameters
    ----------
    technician
        Who bled, one a bleed.
    work
        The kinds of work that `CONTEXT` tells apart, and which of them each bleed is.
    steps
        Of each step whether it was missed, one a bleed; null where it was not recorded.

    Returns
    -------
    list of Peers
        One a step.
    """
    names, x = technician.unique().sort().to_list(), np.column_stack([np.ones(len(work.x)), work.x])
    at = level_codes(technician) * len(x) + work.place
    found = []
    for missed in steps:
        told = (missed.cast(pl.Int8) + 1).fill_null(0).to_numpy()  # 0 not recorded, 1 met, 2 missed
        counts = np.bincount(3 * at + told, minlength=3 * len(names) * len(x)).reshape(len(names), len(x), 3)
        found.append(_of_step(names, x, counts[..., 1] + counts[..., 2], counts[..., 2]))
    return found


def _of_step(names: list[str], x: Numbers, tried: NDArray[np.int64], came: NDArray[np.int64]) -> Peers:
    """`tried` and `came` count a step recorded and missed: a row a technician, a column a kind of work."""
    gram, moment = (x * tried.sum(axis=0)[:, None]).T @ x, x.T @ came.sum(axis=0)
    recorded, hits = tried.sum(axis=1).astype(float), came.sum(axis=1).astype(float)
    predicted, sd = np.full(len(names), np.nan), np.full(len(names), np.nan)
    for i in np.flatnonzero((recorded > 0) & (recorded < recorded.sum())):
        inverse = np.linalg.inv(gram - (x * tried[i][:, None]).T @ x + RIDGE * np.eye(x.shape[1]))
        mean = tried[i] @ x / recorded[i]
        predicted[i] = np.clip(mean @ inverse @ (moment - x.T @ came[i]), 0, 1)
        sd[i] = _excess_sd(hits[i], recorded[i], predicted[i], float(mean @ inverse @ mean))
    with np.errstate(invalid="ignore", divide="ignore"):
        return Peers(names, recorded, hits, np.where(recorded > 0, hits / recorded, np.nan), predicted, sd)


def _excess_sd(hit: float, n: float, peer_share: float, leverage: float) -> float:
    """Counts of both sides; one success and one failure are added so that no share is held to be certain."""
    own = (hit + 1) / (n + 2)
    common = min(max(peer_share, 1 / (n + 2)), 1 - 1 / (n + 2))
    return float(np.sqrt(own * (1 - own) / n + common * (1 - common) * leverage))
