"""Attribution of each risk to feature groups, and the three strongest reasons in words.

The log of the expected hazard is a sum over columns, each centred at its mean. The air's contribution is passed on to
what shows or causes it: the work and the readings; a product's is split in half between its factors. Contributions to
log odds and to risk are in proportion to those to the log hazard: the Aumann–Shapley attribution of a function of a sum
(R. J. Aumann & L. S. Shapley 1974, Values of Non-Atomic Games).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import logit
from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import own_names
from analysis.risk.model import DesignRows, Predictions, RiskModel, batches, concat_predictions
from analysis.risk.preprocessing import AIR, Column
from analysis.risk.reason_texts import Topic, topics
from analysis.standard import Standard

FloatArray = NDArray[np.float64]
MIN_DENOMINATOR, MIN_PUSH = 1e-6, 1e-12
NO_REASON = "no reason found"
MAX_REASONS = 3
MIN_LOG_ODDS, MIN_ADDED = 0.10, 0.001
"""A contribution below 0.10 in log odds, or below 0.1 comebacks per 100, is not a reason."""


@dataclass(frozen=True)
class Attributions:
    """Contributions to the risk of n bleeds by feature group, against the shop's average bleed.

    `reference_risk` + the sum of a row of `added` (n × groups) = the bleed's risk; `log_odds` (n × groups) adds up in
    the same way; `predictions` are the model's for the same bleeds.
    """

    feature_groups: tuple[str, ...]
    reference_risk: float
    added: FloatArray = field(repr=False)
    log_odds: FloatArray = field(repr=False)
    predictions: Predictions = field(repr=False)


def attribute_risk(model: RiskModel, table: pl.DataFrame) -> Attributions:
    """Attribute each bleed's risk to feature groups.

    Parameters
    ----------
    model
        Fitted model.
    table
        Features of bleeds.
    """
    return attribute_rows(model, model.design_rows(FeatureTable(table)))


def attribute_rows(model: RiskModel, rows: DesignRows) -> Attributions:
    """Attribute the risk of prepared inputs."""
    columns, contributions = model.hazard.inputs.columns, model.hazard.contributions(rows.x)
    log_hazard = contributions.sum(axis=1)
    predictions = model.predict_rows(rows, log_hazard)
    air_groups, air_contributions = model.air.attributions(rows.work, rows.readings)
    names = tuple(sorted({*air_groups, *(column.feature_group for column in columns if _group_share(column))}))
    log_odds = _feature_group_shares(columns, names).T @ contributions.T
    log_odds[[names.index(group) for group in air_groups]] += _air_attributions(
        columns, contributions, air_contributions
    )
    reference_odds = _window_log_odds(model, np.zeros(1))
    log_odds *= model.calibration.slope * _rise_over_run(predictions.log_odds - reference_odds, log_hazard)
    reference_risk = float(model.calibrate(reference_odds)[0])
    added = log_odds * _rise_over_run(predictions.risk - reference_risk, log_odds.sum(axis=0))
    return Attributions(names, reference_risk, added.T, log_odds.T, predictions)


def _group_share(column: Column) -> float:
    """Share of a column's contribution that goes to its own group: half of a product with the air, none of the air."""
    return 0.5 if column.form == "times" else float(column.feature_group != AIR)


def _feature_group_shares(columns: Sequence[Column], names: tuple[str, ...]) -> FloatArray:
    """Columns × groups: share of each column's contribution that goes to the group."""
    shares = np.zeros((len(columns), len(names)))
    for index, column in enumerate(columns):
        if _group_share(column):
            shares[index, names.index(column.feature_group)] = _group_share(column)
    return shares


def _air_attributions(columns: Sequence[Column], values: FloatArray, air_contributions: FloatArray) -> FloatArray:
    """Contribution of the air, and half of its products, by group (groups × bleeds).

    Positive contributions are shared among the groups that raise the air, negative ones among those that
    lower it.
    """
    share = np.array([1 - _group_share(column) for column in columns])
    air_columns, attributed = np.flatnonzero(share), np.zeros_like(air_contributions)
    for sign in (1.0, -1.0):
        amount = sign * (np.maximum(sign * values[:, air_columns], 0.0) @ share[air_columns])
        weight = np.maximum(sign * air_contributions, 0.0)
        weight += MIN_PUSH
        weight *= amount / weight.sum(axis=0)
        attributed += weight
    return attributed


def _window_log_odds(model: RiskModel, log_hazard: FloatArray) -> FloatArray:
    return logit(model.hazard.window.risk(log_hazard))


def _rise_over_run(rise: FloatArray, run: FloatArray) -> FloatArray:
    """Rise over run; 0 where the run is 0."""
    no_run = np.abs(run) < MIN_DENOMINATOR
    return np.where(no_run, 0.0, rise / np.where(no_run, 1.0, run))


def predict_with_reasons(
    model: RiskModel, features: pl.DataFrame, standard: Standard
) -> tuple[Predictions, pl.DataFrame]:
    """Predictions, and the three strongest reasons of each bleed.

    A reason ends with what it adds to the risk of the shop's average bleed, in points (comebacks per 100). Technicians
    and shops contribute to the risk but are never a reason. A bleed without one has 'no reason found'.

    Parameters
    ----------
    model
        Fitted model.
    features
        Bleeds to predict.
    standard
        Procedure whose steps are named.

    Returns
    -------
    Predictions, pl.DataFrame
        Predictions; and reason_1, reason_2, reason_3, one row per bleed.
    """
    all_topics, predicted, reasons = topics(standard, own_names(features)), [], []
    for part in batches(features):
        shares = attribute_rows(model, model.design_rows(FeatureTable(part)))
        predicted.append(shares.predictions)
        reasons.append(_rank_reasons(shares, part, all_topics))
    return concat_predictions(predicted), pl.concat(reasons)


def _rank_reasons(shares: Attributions, table: pl.DataFrame, all_topics: list[Topic]) -> pl.DataFrame:
    """Up to three reasons of each bleed, largest first."""
    log_odds, added = (_sum_by_topic(shares, all_topics, values) for values in (shares.log_odds, shares.added))
    added = np.where((log_odds >= MIN_LOG_ODDS) & (added >= MIN_ADDED), added, 0.0)
    texts = pl.concat([_reason_texts(topic, table, added[:, i]) for i, topic in enumerate(all_topics)])
    row, points = texts.get_column("row").to_numpy(), texts.get_column("added").to_numpy()
    order = np.lexsort((-points, row))
    row = row[order]
    rank = np.arange(len(row)) - np.searchsorted(row, row)
    reasons = (
        texts[order]
        .select(reason=pl.format("{}: adds {} points", "text", (100 * pl.col("added")).round(1)))
        .to_series()
    )
    columns = [
        _scatter_texts(reasons, row[rank == number], np.flatnonzero(rank == number), table.height)
        for number in range(MAX_REASONS)
    ]
    return pl.DataFrame({f"reason_{number}": column for number, column in enumerate(columns, 1)}).with_columns(
        pl.col("reason_1").fill_null(NO_REASON)
    )


def _reason_texts(topic: Topic, table: pl.DataFrame, added: FloatArray) -> pl.DataFrame:
    """Row, text and contribution of the bleeds to which the topic adds enough and has something to say."""
    rows = np.flatnonzero(added)
    texts = table.select(set(topic.text.meta.root_names()))[rows].select(text=topic.text.cast(pl.String))
    return texts.with_columns(row=pl.Series(rows), added=pl.Series(added[rows])).drop_nulls("text")


def _scatter_texts(texts: pl.Series, rows: NDArray[np.intp], places: NDArray[np.intp], height: int) -> pl.Series:
    """Column of length `height` with texts[places] in `rows`, empty elsewhere."""
    index = np.full(height, -1)
    index[rows] = places
    return texts.gather(pl.Series(index).replace(-1, None))


def _sum_by_topic(shares: Attributions, all_topics: list[Topic], values: FloatArray) -> FloatArray:
    """Contributions summed by topic (n × topics)."""
    total = np.zeros((len(values), len(all_topics)))
    for i, topic in enumerate(all_topics):
        for group in dict.fromkeys(topic.feature_groups):
            if group in shares.feature_groups:
                total[:, i] += values[:, shares.feature_groups.index(group)]
    return total
