"""Three reasons a bleed: what adds most to its risk, in words, with how much it adds."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.model import RiskModel
from analysis.risk.shares import Shares, risk_shares
from analysis.risk.words import Topic, topics
from analysis.standard import Standard

Numbers = NDArray[np.float64]
NO_REASON = "no reason found"
MOST = 3
LEAST_LOG_ODDS, LEAST_ADDED = 0.10, 0.001
"""What adds less than a tenth to the odds, or less than 0.1 in 100, is no reason."""
CHUNK = 50_000


def reasons(model: RiskModel, table: pl.DataFrame, standard: Standard) -> pl.DataFrame:
    """The strongest reasons of each bleed.

    Each ends with what it adds to the risk against the shop's usual bleed, in comebacks per 100; what is told of
    technicians and shops adds to the risk but is never a reason. A bleed without any gets 'no reason found'.

    Parameters
    ----------
    model
        A fitted model.
    table
        `BleedFeatures.table`.
    standard
        Whose steps are named.

    Returns
    -------
    pl.DataFrame
        reason_1, reason_2, reason_3; a row a bleed.
    """
    told = topics(standard)
    parts = [_some(model, table[start : start + CHUNK], told) for start in range(0, max(table.height, 1), CHUNK)]
    return pl.concat(parts)


def _some(model: RiskModel, table: pl.DataFrame, told: list[Topic]) -> pl.DataFrame:
    shares = risk_shares(model, table)
    words = table.select(topic.words.alias(str(place)) for place, topic in enumerate(told))
    log_odds, added = (_by_topic(shares, told, values) for values in (shares.log_odds, shares.added))
    said = np.column_stack([column.is_not_null().to_numpy() for column in words.get_columns()])
    counts = said & (log_odds >= LEAST_LOG_ODDS) & (added >= LEAST_ADDED)
    ranked = np.argsort(-np.where(counts, added, -np.inf), axis=1, kind="stable")[:, :MOST]
    columns = []
    for rank in range(MOST):
        columns.append(_column(words, ranked[:, rank], counts, added).alias(f"reason_{rank + 1}"))
    table = pl.DataFrame(columns)
    return table.with_columns(pl.col("reason_1").fill_null(NO_REASON))


def _by_topic(shares: Shares, told: list[Topic], values: Numbers) -> Numbers:
    place = {theme: i for i, theme in enumerate(shares.themes)}
    summed = np.zeros((len(values), len(told)))
    for topic, one in enumerate(told):
        columns = [place[theme] for theme in dict.fromkeys(one.themes) if theme in place]
        summed[:, topic] = values[:, columns].sum(axis=1)
    return summed


def _column(words: pl.DataFrame, chosen: NDArray[np.int64], counts: NDArray[np.bool_], added: Numbers) -> pl.Series:
    rows = np.arange(len(chosen))
    holds = counts[rows, chosen]
    told: list[str | None] = [None] * len(chosen)
    for topic in np.unique(chosen[holds]):
        here = np.flatnonzero(holds & (chosen == topic))
        for row, text in zip(here.tolist(), words.get_column(str(topic)).gather(here).to_list(), strict=True):
            told[row] = f"{text} (+{100 * added[row, topic]:.1f} in 100)"
    return pl.Series(told, dtype=pl.String)
