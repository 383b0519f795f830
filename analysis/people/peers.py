"""What the same work predicts for peers: each technician's share against everyone else on bleeds like theirs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
CONTEXT = ("brake", "hose_route", "brake_model", "job_reason", "fluid_required")
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


@dataclass(frozen=True)
class Kinds:
    """The distinct kinds of work (main-effect indicators of the context, an intercept first), and each bleed's."""

    x: Numbers
    place: NDArray[np.int64]


def kinds_of_work(bleeds: pl.DataFrame) -> Kinds:
    """The contexts that occur, one row a kind (float64), and which of them each bleed is."""
    known = bleeds.select(pl.col(CONTEXT).fill_null("not recorded"))
    distinct = known.unique().sort(CONTEXT).with_row_index("kind")
    columns = [np.ones((distinct.height, 1))]
    for name in CONTEXT:
        codes = distinct.get_column(name).rank("dense").to_numpy().astype(int) - 1
        columns.append(np.eye(codes.max() + 1)[codes][:, 1:] if distinct.height else np.zeros((0, 0)))
    place = known.join(distinct, on=list(CONTEXT), how="left", maintain_order="left").get_column("kind")
    return Kinds(np.hstack(columns), place.to_numpy().astype(np.int64))


def peers(technician: pl.Series, work: Kinds, missed: pl.Series) -> Peers:
    """Each technician's share missed beside what the rest predict for the same work.

    A least-squares line on the context, fitted without the technician it is held against (their sums are taken out
    of everyone's), is averaged over that technician's bleeds: indirect standardisation with the person left out.
    Bleeds where the step was not recorded are passed over. Everything is counted by technician and kind of work.
    """
    names, x = sorted(technician.unique().to_list()), work.x
    code = technician.replace_strict(names, list(range(len(names))), return_dtype=pl.Int64).to_numpy()
    at, shape = code * len(x) + work.place, (len(names), len(x))
    known, hit = missed.is_not_null().to_numpy(), missed.fill_null(False).to_numpy()
    tried, came = (np.bincount(at[rows], minlength=shape[0] * shape[1]).reshape(shape) for rows in (known, hit))
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
