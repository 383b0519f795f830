"""Three reasons a bleed: what adds most to its risk, in words, with how much it adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.attributions import Attributions, attribute_rows
from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import BleedFeatures
from analysis.risk.model import CHUNK, Predictions, RiskModel, in_parts, joined_predictions
from analysis.risk.reason_texts import Topic, topics
from analysis.standard import Standard

FloatArray = NDArray[np.float64]
NO_REASON = "no reason found"
MOST = 3
MIN_LOG_ODDS, MIN_ADDED = 0.10, 0.001
"""What adds less than a tenth to the odds, or less than 0.1 in 100, is no reason."""


def predict_with_reasons(
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
        shares = attribute_rows(model, model.design_rows(FeatureTable(part)))
        predicted.append(shares.predictions)
        found.append(_large_contributions(shares, known, CHUNK * place))
    row, topic, added = (np.concatenate([getattr(one, name) for one in found]) for name in ("row", "topic", "added"))
    return joined_predictions(predicted), _reasons(_LargeContributions(row, topic, added), features.table, known)


@dataclass(frozen=True)
class _LargeContributions:
    """What adds enough to be a reason: the bleed's row, the topic's place, and how much it adds; in the rows' order."""

    row: NDArray[np.intp]
    topic: NDArray[np.intp]
    added: FloatArray


def _large_contributions(attributions: Attributions, known: list[Topic], first: int) -> _LargeContributions:
    """Of bleeds whose first row is `first`."""
    log_odds, added = (_by_topic(attributions, known, values) for values in (attributions.log_odds, attributions.added))
    row, topic = np.nonzero((log_odds >= MIN_LOG_ODDS) & (added >= MIN_ADDED))
    return _LargeContributions(first + row, topic, added[row, topic])


def _reasons(contributions: _LargeContributions, table: pl.DataFrame, topics: list[Topic]) -> pl.DataFrame:
    """Words are looked for where a topic adds enough, one or two of all in a usual bleed."""
    worded = pl.concat([_reason_texts(contributions, place, topic, table) for place, topic in enumerate(topics)])
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


def _reason_texts(
    contributions: _LargeContributions, topic_index: int, topic: Topic, table: pl.DataFrame
) -> pl.DataFrame:
    """What can be said on a topic of the bleeds it adds enough to."""
    of_topic = contributions.topic == topic_index
    rows = contributions.row[of_topic]
    words = table.select(set(topic.text.meta.root_names()))[rows].select(words=topic.text.cast(pl.String))
    return words.with_columns(row=pl.Series(rows), added=pl.Series(contributions.added[of_topic])).drop_nulls("words")


def _at(texts: pl.Series, rows: NDArray[np.intp], places: NDArray[np.intp], height: int) -> pl.Series:
    """A column in which each of the rows holds the text at its place, all others none."""
    index = np.full(height, -1)
    index[rows] = places
    return texts.gather(pl.Series(index).replace(-1, None))


def _by_topic(attributions: Attributions, topics: list[Topic], values: FloatArray) -> FloatArray:
    place = {theme: i for i, theme in enumerate(attributions.feature_groups)}
    summed = np.zeros((len(topics), len(values)))
    for topic, one in enumerate(topics):
        for theme in dict.fromkeys(one.feature_groups):
            if theme in place:
                summed[topic] += values[:, place[theme]]
    return summed.T
