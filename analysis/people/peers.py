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


def context_matrix(bleeds: pl.DataFrame) -> Numbers:
    """Main-effect indicators of the context, one row a bleed, an intercept first (float64)."""
    columns = [np.ones((bleeds.height, 1))]
    for name in CONTEXT:
        codes = bleeds.get_column(name).fill_null("not recorded").rank("dense").to_numpy().astype(int) - 1
        columns.append(np.eye(codes.max() + 1)[codes][:, 1:] if bleeds.height else np.zeros((0, 0)))
    return np.hstack(columns)


def peers(technician: pl.Series, context: Numbers, missed: pl.Series) -> Peers:
    """Each technician's share missed beside what the rest predict for the same work.

    A least-squares line on the context, fitted without the technician it is held against (their sums are taken out
    of everyone's), is averaged over that technician's bleeds: indirect standardisation with the person left out.
    Bleeds where the step was not recorded are passed over.
    """
    known = missed.is_not_null().to_numpy()
    x, y = context[known], missed.drop_nulls().cast(pl.Float64).to_numpy()
    who = technician.filter(missed.is_not_null())
    names = sorted(technician.unique().to_list())
    code = who.replace_strict(names, list(range(len(names))), return_dtype=pl.Int64).to_numpy()
    order = np.argsort(code, kind="stable")
    starts = np.searchsorted(code[order], np.arange(len(names) + 1))
    gram, moment = x.T @ x, x.T @ y
    recorded, hit, predicted, sd = (np.full(len(names), np.nan) for _ in range(4))
    for i in range(len(names)):
        rows = order[starts[i] : starts[i + 1]]
        own = x[rows]
        recorded[i], hit[i] = len(rows), y[rows].sum()
        if len(rows) == 0 or len(rows) == len(y):
            continue
        inverse = np.linalg.inv(gram - own.T @ own + RIDGE * np.eye(x.shape[1]))
        mean = own.mean(axis=0)
        predicted[i] = np.clip(mean @ inverse @ (moment - own.T @ y[rows]), 0, 1)
        sd[i] = _excess_sd(hit[i], recorded[i], predicted[i], float(mean @ inverse @ mean))
    with np.errstate(invalid="ignore", divide="ignore"):
        return Peers(names, recorded, hit, np.where(recorded > 0, hit / recorded, np.nan), predicted, sd)


def _excess_sd(hit: float, n: float, peer_share: float, leverage: float) -> float:
    """Counts of both sides; one success and one failure are added so that no share is held to be certain."""
    own = (hit + 1) / (n + 2)
    common = min(max(peer_share, 1 / (n + 2)), 1 - 1 / (n + 2))
    return float(np.sqrt(own * (1 - own) / n + common * (1 - common) * leverage))
