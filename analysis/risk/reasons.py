"""Three reasons a bleed: what adds most to its risk, in words, with how much it adds."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.regression import in_turn
from analysis.risk.cells import Cells, in_parts
from analysis.risk.model import CHUNK, RiskModel, Told, told_together
from analysis.risk.shares import Shares, shares_of
from analysis.risk.words import Topic, topics
from analysis.standard import Standard

Numbers = NDArray[np.float64]
NO_REASON = "no reason found"
MOST = 3
LEAST_LOG_ODDS, LEAST_ADDED = 0.10, 0.001
"""What adds less than a tenth to the odds, or less than 0.1 in 100, is no reason."""


def told_with_reasons(model: RiskModel, table: pl.DataFrame, standard: Standard) -> tuple[Told, pl.DataFrame]:
    """What the model tells of bleeds, and the strongest reasons of each.

    A reason ends with what it adds to the risk against the shop's usual bleed, in comebacks per 100; what is told of
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
    Told, pl.DataFrame
        The risks, and reason_1, reason_2, reason_3; a row a bleed.
    """
    known = topics(standard)

    def some(cells: Cells) -> tuple[Told, pl.DataFrame]:
        seen = model.seen(cells)
        return model.told_of(seen), _reasons(shares_of(model, seen), cells.table, known)

    told, reasons = zip(*in_turn(some, list(in_parts(table, CHUNK))), strict=True)
    return told_together(told), pl.concat(reasons)


def _reasons(shares: Shares, table: pl.DataFrame, told: list[Topic]) -> pl.DataFrame:
    log_odds, added = (_by_topic(shares, told, values) for values in (shares.log_odds, shares.added))
    said_of = {f"{place}": topic.words for place, topic in enumerate(told)}
    words = table.select(pl.int_range(pl.len()).alias("row"), **said_of).drop("row")
    said = words.select(pl.all().is_not_null()).to_numpy()
    left = np.where(said & (log_odds >= LEAST_LOG_ODDS) & (added >= LEAST_ADDED), added, -np.inf)
    columns = [_strongest(left, words).alias(f"reason_{rank + 1}") for rank in range(MOST)]
    return pl.DataFrame(columns).with_columns(pl.col("reason_1").fill_null(NO_REASON))


def _strongest(left: Numbers, words: pl.DataFrame) -> pl.Series:
    """The words of what adds most of what is left to each bleed, with how much; it is left no longer."""
    rows = np.arange(len(left))
    first = left.argmax(axis=1)
    added = left[rows, first]
    left[rows, first] = -np.inf
    own = [np.flatnonzero((first == topic) & np.isfinite(added)) for topic in range(words.width)]
    texts = pl.concat([words.to_series(topic).gather(mine) for topic, mine in enumerate(own)], rechunk=False)
    place = np.concatenate(own)
    more = pl.Series(100 * added[place]).round(1).cast(pl.String)
    reasons = pl.DataFrame({"row": place, "text": texts, "more": more})
    told = reasons.select("row", reason=pl.format("{} (+{} in 100)", "text", "more"))
    return pl.DataFrame({"row": rows}).join(told, on="row", how="left", maintain_order="left").get_column("reason")


def _by_topic(shares: Shares, told: list[Topic], values: Numbers) -> Numbers:
    place = {theme: i for i, theme in enumerate(shares.themes)}
    summed = np.zeros((len(told), len(values)))
    for topic, one in enumerate(told):
        for theme in dict.fromkeys(one.themes):
            if theme in place:
                summed[topic] += values[:, place[theme]]
    return summed.T
