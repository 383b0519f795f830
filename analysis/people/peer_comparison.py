"""What the same work predicts for peers: each technician's share against everyone else on bleeds like theirs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CASE_MIX
from analysis.rates import CovariatePatterns
from analysis.stats import level_codes, normal_tail

FloatArray = NDArray[np.float64]
CONTEXT = ("brake_model", *(name for name in CASE_MIX if name not in ("bike_kind", "fluid_out")))
"""What decides how a brake is bled; the kind of bike and the old fluid do not."""
RIDGE = 1.0
"""Bleeds' worth of evidence against a context mattering: keeps a rare model from making a share of its own."""


@dataclass(frozen=True)
class Peers:
    """One value per technician, in the order of `technicians`.

    `peer_share` is what the others do on this person's mix of work; `excess_sd` the standard error of share less
    peer_share, from both sides' counts. `deviation` is the share less what everyone, this person included, does on
    that work, and `deviation_sd` its standard error: over technicians these are the nearest to independent.
    `p_value` tests that the person misses the step as often as everyone else on the same work.
    """

    technicians: list[str]
    recorded: FloatArray
    missed: FloatArray
    share: FloatArray
    peer_share: FloatArray
    excess_sd: FloatArray
    deviation: FloatArray
    deviation_sd: FloatArray
    p_value: FloatArray


def compare_with_peers(technician: pl.Series, patterns: CovariatePatterns, steps: Iterable[pl.Series]) -> list[Peers]:
    """Compare each technician's share missed of each step with what the rest predict for the same work.

    A least-squares line on the context, fitted without the technician it is held against (their sums are taken out
    of everyone's), is averaged over that technician's bleeds: indirect standardisation with the person left out.
    Bleeds where the step was not recorded are passed over. Everything is counted by technician and kind of work.

    Parameters
    ----------
    technician
        Who bled, one a bleed.
    patterns
        The kinds of work that `CONTEXT` tells apart, and which of them each bleed is.
    steps
        Of each step whether it was missed, one a bleed; null where it was not recorded.

    Returns
    -------
    list of Peers
        One a step.
    """
    names, x = technician.unique().sort().to_list(), np.column_stack([np.ones(len(patterns.x)), patterns.x])
    at = level_codes(technician) * len(x) + patterns.pattern_index
    comparisons = []
    for missed in steps:
        states = (missed.cast(pl.Int8) + 1).fill_null(0).to_numpy()  # 0 not recorded, 1 met, 2 missed
        counts = np.bincount(3 * at + states, minlength=3 * len(names) * len(x)).reshape(len(names), len(x), 3)
        comparisons.append(_step_comparison(names, x, counts[..., 1] + counts[..., 2], counts[..., 2]))
    return comparisons


def _step_comparison(names: list[str], x: FloatArray, trials: NDArray[np.int64], successes: NDArray[np.int64]) -> Peers:
    """Counts of a step recorded and missed: one row per technician, one column per kind of work."""
    gram, moment = (x * trials.sum(axis=0)[:, None]).T @ x, x.T @ successes.sum(axis=0)
    recorded, hits = trials.sum(axis=1).astype(float), successes.sum(axis=1).astype(float)
    overall = np.linalg.inv(gram + RIDGE * np.eye(x.shape[1]))
    usual = x @ overall @ moment
    membership = x @ overall @ (x.T @ trials.T)  # kinds by technicians: how likely each is to have had such a bleed
    predicted, sd, p_value = (np.full(len(names), np.nan) for _ in range(3))
    for i in np.flatnonzero((recorded > 0) & (recorded < recorded.sum())):
        inverse = np.linalg.inv(gram - (x * trials[i][:, None]).T @ x + RIDGE * np.eye(x.shape[1]))
        mean = trials[i] @ x / recorded[i]
        predicted[i] = np.clip(mean @ inverse @ (moment - x.T @ successes[i]), 0, 1)
        sd[i] = _excess_sd(hits[i], recorded[i], predicted[i], float(mean @ inverse @ mean))
        others = trials.sum(axis=0) - trials[i]
        p_value[i] = _p_value(hits[i] - float(trials[i] @ usual), usual, membership[:, i], trials[i], others)
    with np.errstate(invalid="ignore", divide="ignore"):
        own_sd = np.sqrt(_smoothed_variance(hits, recorded) / recorded)
        deviation = (hits - trials @ usual) / recorded
        return Peers(names, recorded, hits, hits / recorded, predicted, sd, deviation, own_sd, p_value)


def _p_value(
    score: float, usual: FloatArray, membership: FloatArray, own: NDArray[np.int64], others: NDArray[np.int64]
) -> float:
    """Two-sided score test that one technician misses the step as often as everyone on the same work.

    `score` is the misses beyond the usual share. Its variance takes the line fitted on everyone into account, so the
    counts of both sides matter; with one kind of work the test is Pearson's of two shares (C. R. Rao 1948, Math. Proc.
    Camb. Philos. Soc. 44:50-57). The third cumulant corrects for the skewness of rare misses (E. A. Cornish &
    R. A. Fisher 1938, Rev. Inst. Int. Stat. 5:307-320; volume and pages from memory).
    """
    least = 1 / (own.sum() + others.sum() + 2)
    share = np.clip(usual, least, 1 - least)
    spread = share * (1 - share)
    variance = float((own * spread) @ (1 - membership) ** 2 + (others * spread) @ membership**2)
    if variance <= 0:
        return float("nan")
    third = spread * (1 - 2 * share)
    skew = float((own * third) @ (1 - membership) ** 3 - (others * third) @ membership**3) / variance**1.5
    z = score / np.sqrt(variance)
    return float(2 * normal_tail(abs(z - skew / 6 * (z * z - 1))))


def _smoothed_variance(hits: FloatArray, n: FloatArray) -> FloatArray:
    """Of one bleed; one success and one failure are added so that no share is held to be certain."""
    share = (hits + 1) / (n + 2)
    return share * (1 - share)


def _excess_sd(hit: float, n: float, peer_share: float, leverage: float) -> float:
    """From the counts of both sides."""
    own = (hit + 1) / (n + 2)
    common = min(max(peer_share, 1 / (n + 2)), 1 - 1 / (n + 2))
    return float(np.sqrt(own * (1 - own) / n + common * (1 - common) * leverage))
