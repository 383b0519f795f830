"""Three reasons a bleed: what adds most to its risk, in words, with how much it adds."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.regression import in_turn
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
    starts = range(0, max(table.height, 1), CHUNK)
    return pl.concat(in_turn(lambda start: _some(model, table[start : start + CHUNK], told), starts))


def _some(model: RiskModel, table: pl.DataFrame, told: list[Topic]) -> pl.DataFrame:
    shares = risk_shares(model, table)
    log_odds, added = (_by_topic(shares, told, values) for values in (shares.log_odds, shares.added))
    adds = (log_odds >= LEAST_LOG_ODDS) & (added >= LEAST_ADDED)
    words = [_words(table, topic, adds[:, place], added[:, place]) for place, topic in enumerate(told)]
    ranked = np.argsort(-np.where(adds, added, -np.inf), axis=1, kind="stable")[:, :MOST]
    columns = [
        pl.Series(
            f"reason_{rank + 1}", [words[topic][row] for row, topic in enumerate(ranked[:, rank])], dtype=pl.String
        )
        for rank in range(MOST)
    ]
    return pl.DataFrame(columns).with_columns(pl.col("reason_1").fill_null(NO_REASON))


def _words(table: pl.DataFrame, topic: Topic, adds: NDArray[np.bool_], added: Numbers) -> list[str | None]:
    """The topic's words with what it adds, where it adds enough and there is something to say: only there it still `adds`."""
    told: list[str | None] = [None] * table.height
    rows = np.flatnonzero(adds)
    said: list[str | None] = table[rows].select(topic.words.alias("words")).to_series().to_list() if len(rows) else []
    for row, text, more in zip(rows.tolist(), said, (100 * added[rows]).tolist(), strict=True):
        told[row] = text and f"{text} (+{more:.1f} in 100)"
    adds[rows] = [text is not None for text in said]
    return told


def _by_topic(shares: Shares, told: list[Topic], values: Numbers) -> Numbers:
    place = {theme: i for i, theme in enumerate(shares.themes)}
    summed = np.zeros((len(told), len(values)))
    for topic, one in enumerate(told):
        for theme in dict.fromkeys(one.themes):
            if theme in place:
                summed[topic] += values[:, place[theme]]
    return summed.T
