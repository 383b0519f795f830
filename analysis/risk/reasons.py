"""Three reasons a bleed: what adds most to its risk, in words, with how much it adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.regression import Floats, in_turn
from analysis.risk.cells import Cells, in_parts
from analysis.risk.features import BleedFeatures
from analysis.risk.model import CHUNK, RiskModel, Told, told_together
from analysis.risk.shares import Shares, shares_of
from analysis.risk.words import Topic, topics
from analysis.standard import Standard

Numbers = NDArray[np.float64]
NO_REASON = "no reason found"
MOST = 3
LEAST_LOG_ODDS, LEAST_ADDED = 0.10, 0.001
"""What adds less than a tenth to the odds, or less than 0.1 in 100, is no reason."""
AT_ONCE = 10 * CHUNK
"""Bleeds of which the words are put together at a time."""


def told_with_reasons(model: RiskModel, features: BleedFeatures, standard: Standard) -> tuple[Told, pl.DataFrame]:
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
    Told, pl.DataFrame
        The risks, and reason_1, reason_2, reason_3; a row a bleed.
    """
    known, height = topics(standard), features.table.height
    parts = [slice(start, min(start + AT_ONCE, height)) for start in range(0, max(height, 1), AT_ONCE)]
    told, reasons = zip(
        *(_some_told(model, features.cells_of(part), features.table[part], known) for part in parts), strict=True
    )
    return told_together(told), pl.concat(reasons)


@dataclass(frozen=True)
class _Enough:
    """What adds enough to be a reason: the bleed's row, the topic's place, and how much it adds; in the rows' order."""

    row: NDArray[np.intp]
    topic: NDArray[np.intp]
    added: Numbers


def _some_told(model: RiskModel, cells: Cells, table: pl.DataFrame, known: list[Topic]) -> tuple[Told, pl.DataFrame]:
    def some(part: Cells) -> tuple[Told, _Enough]:
        shares = shares_of(model, model.seen(part))
        return shares.told, _enough(shares, known)

    told, parts = zip(*in_turn(some, list(in_parts(cells, CHUNK))), strict=True)
    found = _Enough(
        np.concatenate([part.row + CHUNK * place for place, part in enumerate(parts)]),
        np.concatenate([part.topic for part in parts]),
        np.concatenate([part.added for part in parts]),
    )
    return told_together(told), _reasons(found, table, known)


def _enough(shares: Shares, told: list[Topic]) -> _Enough:
    log_odds, added = (_by_topic(shares, told, values) for values in (shares.log_odds, shares.added))
    row, topic = np.nonzero((log_odds >= LEAST_LOG_ODDS) & (added >= LEAST_ADDED))
    return _Enough(row, topic, added[row, topic])


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


def _by_topic(shares: Shares, told: list[Topic], values: Floats) -> Numbers:
    place = {theme: i for i, theme in enumerate(shares.themes)}
    summed = np.zeros((len(told), len(values)))
    for topic, one in enumerate(told):
        for theme in dict.fromkeys(one.themes):
            if theme in place:
                summed[topic] += values[:, place[theme]]
    return summed.T
