"""Three reasons a bleed: what adds most to its risk, in words, with how much it adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.cells import Cells
from analysis.risk.features import BleedFeatures
from analysis.risk.model import CHUNK, Predictions, RiskModel, in_parts, joined_predictions
from analysis.risk.shares import Shares, shares_of
from analysis.risk.words import Topic, topics
from analysis.standard import Standard

Numbers = NDArray[np.float64]
NO_REASON = "no reason found"
MOST = 3
LEAST_LOG_ODDS, LEAST_ADDED = 0.10, 0.001
"""What adds less than a tenth to the odds, or less than 0.1 in 100, is no reason."""


def told_with_reasons(
    model: RiskModel, features: BleedFeatures, standard: Standard
) -> tuple[Predictions, pl.DataFrame]:
    """What the model tells of bleeds, and the strongest reasons of each.

    A reason ends with what it adds to the risk against the shop's usual bleed, in comebacks per 100; what is told of
    technicians and shops adds to the risk but is never a reason. A bleed without any gets 'no reason found'.

    Parameters
    ----------
    model
        A fitted model.
    features
        Of the bleeds to tell.
    standard
        Whose steps are named.

    Returns
    -------
    Predictions, pl.DataFrame
        The risks, and reason_1, reason_2, reason_3; a row a bleed.
    """
    known, predicted, found = topics(standard), [], []
    for place, part in enumerate(in_parts(features.table)):
        shares = shares_of(model, model.design_rows(Cells(part)))
        predicted.append(shares.told)
        found.append(_enough(shares, known, CHUNK * place))
    row, topic, added = (np.concatenate([getattr(one, name) for one in found]) for name in ("row", "topic", "added"))
    return joined_predictions(predicted), _reasons(_Enough(row, topic, added), features.table, known)


@dataclass(frozen=True)
class _Enough:
    """What adds enough to be a reason: the bleed's row, the topic's place, and how much it adds; in the rows' order."""

    row: NDArray[np.intp]
    topic: NDArray[np.intp]
    added: Numbers


def _enough(shares: Shares, known: list[Topic], first: int) -> _Enough:
    """Of bleeds whose first row is `first`."""
    log_odds, added = (_by_topic(shares, known, values) for values in (shares.log_odds, shares.added))
    row, topic = np.nonzero((log_odds >= LEAST_LOG_ODDS) & (added >= LEAST_ADDED))
    return _Enough(first + row, topic, added[row, topic])


def _reasons(found: _Enough, table: pl.DataFrame, told: list[Topic]) -> pl.DataFrame:
    """Words are looked for where a topic adds enough, one or two of all in a usual bleed."""
    worded = pl.concat([_worded(found, place, topic, table) for place, topic in enumerate(told)])
    row, added = worded.get_column("row").to_numpy(), worded.get_column("added").to_numpy()
    order = np.lexsort((-added, row))
    row = row[order]
    rank = np.arange(len(row)) - np.searchsorted(row, row)
    row, rank, order = (one[rank < MOST] for one in (row, rank, order))
    more = (100 * pl.col("added")).round(1)
    reasons = worded[order].select(reason=pl.format("{}: adds {} points", "words", more)).to_series()
    columns = [_at(reasons, row[rank == place], np.flatnonzero(rank == place), table.height) for place in range(MOST)]
    return pl.DataFrame({f"reason_{place + 1}": column for place, column in enumerate(columns)}).with_columns(
        pl.col("reason_1").fill_null(NO_REASON)
    )


def _worded(found: _Enough, place: int, topic: Topic, table: pl.DataFrame) -> pl.DataFrame:
    """What can be said on a topic of the bleeds it adds enough to."""
    mine = found.topic == place
    rows = found.row[mine]
    words = table.select(set(topic.words.meta.root_names()))[rows].select(words=topic.words.cast(pl.String))
    return words.with_columns(row=pl.Series(rows), added=pl.Series(found.added[mine])).drop_nulls("words")


def _at(texts: pl.Series, rows: NDArray[np.intp], places: NDArray[np.intp], height: int) -> pl.Series:
    """A column in which each of the rows holds the text at its place, all others none."""
    index = np.full(height, -1)
    index[rows] = places
    return texts.gather(pl.Series(index).replace(-1, None))


def _by_topic(shares: Shares, told: list[Topic], values: Numbers) -> Numbers:
    place = {theme: i for i, theme in enumerate(shares.themes)}
    summed = np.zeros((len(told), len(values)))
    for topic, one in enumerate(told):
        for theme in dict.fromkeys(one.themes):
            if theme in place:
                summed[topic] += values[:, place[theme]]
    return summed.T
