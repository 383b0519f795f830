"""Features as numbers: which columns, how transformed, clipped, centred and scaled, decided once on the data fitted on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.risk.feature_table import FeatureTable

FloatArray = NDArray[np.float64]
MIN_SPREAD = 1e-9
COLUMN_FIELDS = ("name", "form", "field", "block", "feature_group", "level")
FLAGS, NEVER_EMPTY = ("is", "true", "false", "null"), ("is", "null")
TRUSTED = ("whole", "square", "times")
"""Forms that are kept within all that was seen, not within its `TAIL`s."""
TAIL = 0.005
"""Numbers beyond these quantiles of the data fitted on are set to them: a line is not to be trusted past its data."""


@dataclass(frozen=True)
class Column:
    """One column: `form` of `field` (a level, a number bent, a tick), its `block` and the `feature_group` it speaks of.

    Forms: `is` (the word is `level`), `true`, `false`, `null` (not recorded), `linear`, `log` (of 1 + x above 0); of a number
    that comes centred and scaled: `whole`, `square`, `times` (the field that `level` names).
    """

    name: str
    form: str
    field: str
    block: str
    feature_group: str
    level: str = ""


@dataclass(frozen=True)
class FittedPreprocessor:
    """Columns with the limits, centre and scale they have in the bleeds they were fitted on.

    A flag is centred only, and so is what comes scaled; a number is divided by its standard deviation too. What is not
    recorded is at the centre. `specification` holds the fields of each `Column`, as text: columns × fields.
    """

    specification: NDArray[np.str_]
    lower: FloatArray = field(repr=False)
    upper: FloatArray = field(repr=False)
    centre: FloatArray = field(repr=False)
    scale: FloatArray = field(repr=False)

    @property
    def columns(self) -> tuple[Column, ...]:
        return tuple(Column(**dict(zip(COLUMN_FIELDS, words, strict=True))) for words in self.specification.tolist())

    def transform(self, features: FeatureTable) -> FloatArray:
        """One row a bleed, one column a `Column`."""
        columns = self.columns
        ready = np.empty((features.height, len(columns)))
        for i, column in enumerate(columns):
            values = column_values(features, column)
            if np.isfinite(self.lower[i]):
                values = np.clip(values, self.lower[i], self.upper[i])
            own = (values - self.centre[i]) / self.scale[i]
            ready[:, i] = own if column.form in NEVER_EMPTY else np.nan_to_num(own)
        return ready


def specification(columns: Sequence[Column]) -> NDArray[np.str_]:
    """The fields of columns as text, columns × fields: many small objects are slow to write to a file."""
    words = [[getattr(column, name) for name in COLUMN_FIELDS] for column in columns]
    return np.array(words, dtype=np.str_).reshape(len(columns), len(COLUMN_FIELDS))


def fit_preprocessor(columns: Sequence[Column], features: FeatureTable) -> FittedPreprocessor:
    """Those of the columns that vary in these bleeds, with their limits, centres and scales."""
    varying: list[Column] = []
    figures: list[tuple[float, float, float, float]] = []
    for column in columns:
        values = column_values(features, column)
        known = values if column.form in NEVER_EMPTY else values[np.isfinite(values)]
        if len(known) < 2 or known.std() <= MIN_SPREAD:
            continue
        if column.form in (*FLAGS, *TRUSTED):
            varying.append(column)
            ends = (-np.inf, np.inf) if column.form in FLAGS else (float(known.min()), float(known.max()))
            figures.append((*ends, float(known.mean()), 1.0))
            continue
        lower, upper = np.quantile(known, (TAIL, 1 - TAIL))
        known = np.clip(known, lower, upper)
        if known.std() <= MIN_SPREAD:
            continue
        varying.append(column)
        figures.append((float(lower), float(upper), float(known.mean()), float(known.std())))
    lower, upper, centre, scale = np.array(figures).reshape(-1, 4).T
    return FittedPreprocessor(specification(varying), lower.copy(), upper.copy(), centre.copy(), scale.copy())


def column_values(features: FeatureTable, column: Column) -> NDArray[Any]:
    """The column's values before centring, numbers or ticks; NaN where not recorded (a word not recorded is none of the
    levels)."""
    if column.form == "null":
        return features.unrecorded(column.field)
    if column.form == "is":
        return features.categories(column.field).equal(column.level)
    if column.form == "times":
        return features.numbers(column.field) * features.numbers(column.level)
    return _transformed(features.numbers(column.field), column.form)


def _transformed(values: FloatArray, form: str) -> FloatArray:
    if form in ("true", "linear", "whole"):
        return values
    if form == "false":
        return 1 - values
    if form == "square":
        return values**2
    return np.log1p(np.maximum(values, 0.0))
