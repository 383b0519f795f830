"""The model as it is kept: all that is needed to tell the risk of fresh bleeds, frozen, in plain values and arrays."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.intake import Log
from analysis.risk.features import BleedFeatures, bleed_features
from analysis.risk.history import History
from analysis.risk.model import RiskModel
from analysis.standard import Standard, standard_from_dict, standard_to_dict
from schemas import empty
from schemas.log import Brakes

Plain = dict[str, Any]


@dataclass(frozen=True)
class SavedModel:
    """A model with what it looks up: `history` (who and what came back, day by day, up to `as_of`), the `standard` it
    holds bleeds against, the `brakes` it knows the measures of, and the `features` it reads; `names_hidden` tells that
    it knows technicians by codes."""

    model: RiskModel
    history: Plain = field(repr=False)
    standard: Plain = field(repr=False)
    brakes: Plain = field(repr=False)
    features: NDArray[np.str_] = field(repr=False)
    as_of: str = ""
    window_days: int = 90
    names_hidden: bool = False

    @property
    def last_day(self) -> dt.date:
        return dt.date.fromisoformat(self.as_of)

    def saved_standard(self) -> Standard:
        """The standard bleeds are held against."""
        return standard_from_dict(self.standard)

    def features_of(self, log: Log) -> BleedFeatures:
        """The features of a log's bleeds, as this model reads them: its own brakes first, its own history."""
        own = _frame(self.brakes).select(empty(Brakes).columns).cast(empty(Brakes).schema)
        others = log.brakes.select(own.columns).join(own, on="brake_model", how="anti")
        known = Log(**{**log.__dict__, "brakes": pl.concat([own, others]).sort("brake_model")})
        history = History(**{name: _frame(table) for name, table in self.history.items()})
        return bleed_features(known, self.saved_standard(), history)


def saved_model(
    model: RiskModel, log: Log, standard: Standard, history: History, window_days: int, names_hidden: bool
) -> SavedModel:
    """The model with what it needs of the log it learnt from.

    Parameters
    ----------
    model
        Fitted and calibrated.
    log, standard, history
        What its features were made from.
    window_days
        Its window.
    names_hidden
        Whether the log's names are codes.
    """
    return SavedModel(
        model=model,
        history={name: _plain(getattr(history, name)) for name in ("outcomes", "starts", "reference_travel")},
        standard=standard_to_dict(standard),
        brakes=_plain(log.brakes.select(empty(Brakes).columns)),
        features=np.array([column.name for column in model.hazard.inputs.columns]),
        as_of=log.as_of.isoformat(),
        window_days=window_days,
        names_hidden=names_hidden,
    )


def _plain(table: pl.DataFrame) -> Plain:
    """Words and days (ISO) as arrays of text, numbers as arrays (NaN where empty)."""
    columns: Plain = {}
    for column in table.get_columns():
        if column.dtype.is_numeric():
            columns[column.name] = column.cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()
        else:
            columns[column.name] = np.array(column.cast(pl.String).fill_null("").to_list(), dtype=np.str_)
    return columns


def _frame(columns: Plain) -> pl.DataFrame:
    texts = [name for name, values in columns.items() if values.dtype.kind == "U"]
    table = pl.DataFrame({name: v.tolist() if name in texts else v for name, v in columns.items()}).fill_nan(None)
    return table.with_columns(pl.col(texts).cast(pl.String)).with_columns(pl.col("^day$").str.to_date())
