"""Features of each bleed, known when it ends: nothing fitted, nothing from later rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Self

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, TransformerMixin
from sklearn.utils.validation import check_is_fitted

from analysis.dataset import CASE_MIX_NUMBERS, CONTEXT_CATEGORIES, bleed_data
from analysis.errors import UserError
from analysis.intake import Log
from analysis.physics import BrakeDimensions, flush_ratio, trapped_air
from analysis.risk.history import History, build_history, point_in_time_features
from analysis.risk.outcome import follow_up_of
from analysis.standard import Standard, join_brakes, missed_step_columns

FloatArray = NDArray[np.float64]
WORKLOAD = "place_in_day"
CONTEXT_NUMBERS = (*CASE_MIX_NUMBERS, WORKLOAD)
"""Numbers known of the job, and the bleed's place in the technician's day."""
SIGNS = ("lever_travel_after_mm", "pump_gain_mm", "bubbles_first", "bubbles_last", "minutes")
SIGN_FLAGS = ("hard_pull_firm", "leak_seen")
WORK_AMOUNTS = ("cycles", "settle_minutes", "lever_vacuum_strokes", "volume_moved_ml")
HISTORY = ("technician_rate", "model_rate", "technician_bleeds")
PHYSICS = ("travel_excess_mm", "trapped_air_ml", "trapped_air_lo_ml", "trapped_air_hi_ml", "flush_ratio")
MAX_BLEEDS_PER_DAY = 12
LEVER_AND_CALIPER_ML = 6.0
"""Fluid volume of lever and caliper together, added to the hose's: common practice, no source."""
DAY = "day"
NUMBERS = (*CONTEXT_NUMBERS, *SIGNS, *WORK_AMOUNTS, *HISTORY)
FEATURES = ("technician", "brake_model", DAY, *CONTEXT_CATEGORIES, *SIGN_FLAGS, *NUMBERS, *PHYSICS)
MISSED_PREFIX, READING_PREFIX = "missed ", "reading "
"""Prefixes of features: a step missed, another reading that a step's rule reads."""
OWN_PREFIX = "own."


def reading_feature_name(field: str) -> str:
    """The feature that holds a field which a step's rule reads."""
    return field if field in FEATURES else READING_PREFIX + field


def steps_of(features: pl.DataFrame) -> list[str]:
    """Ids of the steps among the features."""
    return [name.removeprefix(MISSED_PREFIX) for name in features.columns if name.startswith(MISSED_PREFIX)]


def own_names(features: pl.DataFrame) -> list[str]:
    """Features that this package does not know: the analyst's own."""
    prefixes = (MISSED_PREFIX, READING_PREFIX)
    return [name for name in features.columns if name not in FEATURES and not name.startswith(prefixes)]


def bleed_rows(log: Log, history: History) -> pl.DataFrame:
    """Each bleed with everything that was known when it ended and that depends on other rows.

    Parameters
    ----------
    log
        Accepted bleeds and the brakes table; returns are not used.
    history
        `build_history` of the log the model is fitted to.

    Returns
    -------
    pl.DataFrame
        Sorted by session_id: the fields of the bleed (`schemas.log.Sessions` and custom fields), its brake's dimensions
        (`brakes.<name>`), its place in the technician's day, and `point_in_time_features`.
    """
    bleeds = join_brakes(log).drop("file", "row", strict=False)
    past = point_in_time_features(history, bleeds).drop("session_id")
    return bleeds.hstack([_place_in_day(bleeds), *past.get_columns()])


def risk_data(log: Log, standard: Standard, window_days: int | None = None) -> tuple[pl.DataFrame, NDArray]:
    """The bleeds of a log as `X` and their follow-up as `y`, for any scikit-learn tool.

    Each row of `X` is self-contained: anything that depends on other bleeds (earlier comebacks of the technician and the
    brake model, the travel of a firm lever, the position in the day) is looked up as it was known before the bleed's day,
    so rows can be selected by index without changing a feature.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The procedure.
    window_days
        Follow-up window in days; None takes that of the procedure.

    Returns
    -------
    pl.DataFrame, NDArray
        n bleeds sorted by session_id (`bleed_rows`), and n structured values: `days` at risk, `event` (0 none yet,
        1 comeback, 2 the brake's next bleed) and `observed_days` (days on which a return would have been recorded).
    """
    window = standard.window_days if window_days is None else window_days
    bleeds = bleed_data(log, standard, window).bleeds
    return bleed_rows(log, build_history(bleeds, window)), follow_up_of(bleeds)


class BleedFeatures(TransformerMixin, BaseEstimator):
    """Features of bleeds, row by row, from what was known when the bleed ended; nothing is learned from other rows.

    Context, technique (each step met, missed or not recorded, and its reading), stand readings, trapped air and flushed
    volume, workload, what was already known about the technician and brake model, and custom fields. Empty where not
    recorded; `RebleedClassifier` and `FeatureMatrix` scale numbers, encode text and flag missing values.

    Parameters
    ----------
    standard
        The procedure whose steps are judged.
    extra
        Names of further fields of the bleeds (numbers, text or yes/no); custom fields with or without `own.`.
    window_days
        Follow-up window for earlier comebacks if `X` is a log; None takes that of the procedure.

    Attributes
    ----------
    feature_names_in_, n_features_in_
        Columns of `X` when fitted.
    """

    def __init__(self, standard: Standard, *, extra: Sequence[str] = (), window_days: int | None = None) -> None:
        self.standard = standard
        self.extra = extra
        self.window_days = window_days

    def fit(self, X: Log | pl.DataFrame, y: ArrayLike | None = None) -> Self:
        """Check the fields; `X` is a log, or bleeds of `risk_data`.

        Raises
        ------
        UserError
            `extra` names a field that the bleeds do not have.
        """
        rows = self._as_bleed_rows(X)
        self.feature_names_in_, self.n_features_in_ = np.array(rows.columns, dtype=object), rows.width
        self._names = self._compute_features(rows.head(0)).columns
        return self

    def transform(self, X: Log | pl.DataFrame) -> pl.DataFrame:
        """Features, one row per bleed in the order of `X` (a log: by session_id).

        Raises
        ------
        UserError
            The bleeds lack a field of `extra`.
        ValueError
            `X` is not a log, and lacks a column of `risk_data`.
        """
        check_is_fitted(self)
        return self._compute_features(self._as_bleed_rows(X))

    def get_feature_names_out(self, input_features: ArrayLike | None = None) -> NDArray:
        """Names of the features, in order."""
        check_is_fitted(self)
        return np.array(self._names, dtype=object)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.two_d_array = False
        tags.no_validation = True
        tags.requires_fit = True
        return tags

    def _as_bleed_rows(self, X: Log | pl.DataFrame) -> pl.DataFrame:
        if isinstance(X, Log):
            return risk_data(X, self.standard, self.window_days)[0]
        if not isinstance(X, pl.DataFrame):
            raise ValueError(f"X is a {type(X).__name__}; expected a log, or the polars frame of risk_data")
        lacking = sorted({"session_id", "started_at", "firm_reference_mm", *NUMBERS} - set(X.columns))
        if lacking:
            raise ValueError(f"X lacks the columns {', '.join(lacking[:5])}; expected the frame of risk_data")
        return X

    def _compute_features(self, rows: pl.DataFrame) -> pl.DataFrame:
        listed = set(FEATURES) | {"session_id", "bike_id"}
        readings = {step.field for step in self.standard.steps} | {"lever_syringe_end_ml"}
        table = rows.select(
            pl.col("technician", "brake_model").fill_null(""),
            *CONTEXT_CATEGORIES,
            *(pl.col(name).alias(READING_PREFIX + name) for name in sorted(readings & set(rows.columns) - listed)),
            *(pl.col(name).cast(pl.Float64) for name in NUMBERS),
            *SIGN_FLAGS,
            *(_own_field(rows, name).alias(_own_name(rows, name)) for name in self.extra),
            pl.col("started_at").dt.date().alias(DAY),
        )
        missed = missed_step_columns(rows, self.standard).rename(lambda step: MISSED_PREFIX + step)
        return table.hstack(_physics_columns(rows)).hstack(missed)


def _own_name(rows: pl.DataFrame, name: str) -> str:
    """The column of the bleeds that `extra` names."""
    for column in (OWN_PREFIX + name, name):
        if column in rows.columns and column not in FEATURES:
            return column
    own = [column.removeprefix(OWN_PREFIX) for column in rows.columns if column.startswith(OWN_PREFIX)]
    raise UserError(
        f"extra feature {name!r}",
        "the bleeds have no such custom field" if name not in FEATURES else "is a feature already",
        f"one of {', '.join(own)}" if own else "a custom field declared in the map",
        "declare it under own in the map, or correct the name",
    )


def _own_field(rows: pl.DataFrame, name: str) -> pl.Expr:
    """Words and yes/no as they are, numbers as floats, days as days since 1970."""
    column = _own_name(rows, name)
    kind = rows.schema[column]
    if kind in (pl.String, pl.Boolean):
        return pl.col(column)
    return (
        pl.col(column).dt.date().to_physical().cast(pl.Float64)
        if kind.is_temporal()
        else pl.col(column).cast(pl.Float64)
    )


def _place_in_day(bleeds: pl.DataFrame) -> pl.Series:
    placed = bleeds.select(
        place=pl.struct("started_at", "session_id").rank("ordinal").over("technician", pl.col("started_at").dt.date())
    )
    return placed.get_column("place").clip(1, MAX_BLEEDS_PER_DAY).cast(pl.Float64).alias(WORKLOAD)


def _physics_columns(rows: pl.DataFrame) -> pl.DataFrame:
    """Travel above a firm lever's, trapped air and flushed volume; the firm travel is the brakes table's, else the
    shop's own.
    """
    ratio, bore, hose_bore, volume, travel = (
        _to_floats(rows.get_column(name))
        for name in (
            "brakes.lever_ratio",
            "brakes.master_bore_mm",
            "brakes.hose_bore_mm",
            "volume_moved_ml",
            "lever_travel_after_mm",
        )
    )
    reference = _to_floats(rows.select(pl.coalesce("brakes.travel_reference_mm", "firm_reference_mm")).to_series())
    hose = _to_floats(rows.select(pl.coalesce(pl.col("hose_mm", "brakes.hose_mm").cast(pl.Float64))).to_series())
    air = trapped_air(travel, BrakeDimensions(ratio, bore, reference))
    flushed = flush_ratio(volume, hose_bore, hose, LEVER_AND_CALIPER_ML)
    columns = (travel - reference, air.ml, air.lo_ml, air.hi_ml, flushed)
    return pl.DataFrame(dict(zip(PHYSICS, columns, strict=True))).fill_nan(None)


def _to_floats(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
