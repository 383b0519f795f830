"""Columns of the risk model, and the preprocessor that clips, centres and scales them as in the fitted bleeds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CONTEXT_CATEGORIES
from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import (
    CONTEXT_NUMBERS,
    HISTORY,
    MISSED_PREFIX,
    WORK_AMOUNTS,
    own_names,
    steps_of,
)
from analysis.stats import frequent_codes, level_codes

FloatArray = NDArray[np.float64]
MIN_SD = 1e-9
COLUMN_FIELDS = ("name", "form", "field", "block", "feature_group", "level")
FLAGS, NEVER_EMPTY = ("is", "true", "false", "null"), ("is", "null")
UNTRIMMED = ("whole", "square", "times")
"""Forms limited to the range of the fitted bleeds rather than to their `TAIL` quantiles."""
TAIL = 0.005
"""Numbers beyond these quantiles of the fitted bleeds are set to them: no extrapolation along a line."""
BLOCKS = (
    "step", "leak step", "unrecorded", "context", "technician", "brake_model", "own", "amount", "history",
    "sign", "fault", "sign unrecorded", "air", "air interaction",
)  # fmt: skip
"""Blocks of columns, in order; each has its own ridge."""
PRIOR_PENALTIES = {"amount": 3000.0, "history": 3000.0}
"""Ridges of blocks too small to estimate one: close to no effect until there are thousands of returns."""
PRIOR_VARIANCES = {
    "step": 0.003, "leak step": 0.1, "unrecorded": 0.001, "context": 0.001, "technician": 0.003,
    "brake_model": 0.003, "own": 0.03, "sign": 0.001, "fault": 0.03, "sign unrecorded": 0.003, "air": 0.5, "air interaction": 0.003,
}  # fmt: skip
"""Prior variance of each block's coefficients given all other blocks. Given the air, steps, context, people and single
readings add little; leaks are not shown by any reading. Chosen on simulated workshops of five families; those of custom fields
are a choice: somebody expects them to matter."""
PRIOR_DF = 5.0
"""Weight of the prior variance, in columns known exactly: decisive with hundreds of returns, weak with thousands."""
TECHNICIAN_BLOCK = "technician"
TRAVEL, FIRST, LAST, PUMPED, FIRM, LEAK = "travel", "bubbles_first", "bubbles_last", "pump_gain", "hard_pull", "leak"
AIR = "air"


@dataclass(frozen=True)
class Column:
    """One column: a `form` of `field`, in a ridge `block`, counted in attributions under `feature_group`.

    Forms: `is` (the category is `level`), `true`, `false`, `null` (not recorded), `linear`, `log` (of 1 + x, x > 0);
    for a number already standardised: `whole` (unchanged), `square`, `times` (the field named in `level`).
    """

    name: str
    form: str
    field: str
    block: str
    feature_group: str
    level: str = ""


@dataclass(frozen=True)
class FittedPreprocessor:
    """Columns with their limits, centre and scale in the fitted bleeds.

    Flags and standardised numbers are centred only; other numbers are also divided by their standard deviation. Missing
    values become the centre (0). `specification` holds the fields of each `Column` as text (columns × fields).
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
        """Matrix n × columns."""
        columns = self.columns
        x = np.empty((features.height, len(columns)))
        for i, column in enumerate(columns):
            values = column_values(features, column)
            if np.isfinite(self.lower[i]):
                values = np.clip(values, self.lower[i], self.upper[i])
            scaled = (values - self.centre[i]) / self.scale[i]
            x[:, i] = scaled if column.form in NEVER_EMPTY else np.nan_to_num(scaled)
        return x


def specification(columns: Sequence[Column]) -> NDArray[np.str_]:
    """Fields of columns as a text array (columns × fields), which serialises as one object."""
    rows = [[getattr(column, name) for name in COLUMN_FIELDS] for column in columns]
    return np.array(rows, dtype=np.str_).reshape(len(columns), len(COLUMN_FIELDS))


def fit_preprocessor(columns: Sequence[Column], features: FeatureTable) -> FittedPreprocessor:
    """Keep the columns that vary in these bleeds, with their limits, centre and scale."""
    varying: list[Column] = []
    parameters: list[tuple[float, float, float, float]] = []
    for column in columns:
        values = column_values(features, column)
        recorded = values if column.form in NEVER_EMPTY else values[np.isfinite(values)]
        if len(recorded) < 2 or recorded.std() <= MIN_SD:
            continue
        if column.form in (*FLAGS, *UNTRIMMED):
            varying.append(column)
            limits = (-np.inf, np.inf) if column.form in FLAGS else (float(recorded.min()), float(recorded.max()))
            parameters.append((*limits, float(recorded.mean()), 1.0))
            continue
        lower, upper = np.quantile(recorded, (TAIL, 1 - TAIL))
        recorded = np.clip(recorded, lower, upper)
        if recorded.std() <= MIN_SD:
            continue
        varying.append(column)
        parameters.append((float(lower), float(upper), float(recorded.mean()), float(recorded.std())))
    lower, upper, centre, scale = np.array(parameters).reshape(-1, 4).T
    return FittedPreprocessor(specification(varying), lower.copy(), upper.copy(), centre.copy(), scale.copy())


def column_values(features: FeatureTable, column: Column) -> NDArray[Any]:
    """Values of a column before scaling; NaN where not recorded (a category not recorded equals no level)."""
    if column.form == "null":
        return features.unrecorded(column.field)
    if column.form == "is":
        return features.categories(column.field).equal(column.level)
    if column.form == "times":
        return features.numbers(column.field) * features.numbers(column.level)
    return _transform_values(features.numbers(column.field), column.form)


def _transform_values(values: FloatArray, form: str) -> FloatArray:
    if form in ("true", "linear", "whole"):
        return values
    if form == "false":
        return 1 - values
    if form == "square":
        return values**2
    return np.log1p(np.maximum(values, 0.0))


def risk_columns(features: pl.DataFrame, leak_steps: Sequence[str]) -> list[Column]:
    """All columns of the return model, by block; those of fields that the features do not have are left out."""
    columns = [
        *work_columns(features, leak_steps),
        *_amount_columns(),
        *_sign_columns(),
        *_air_columns(leak_steps),
        *_own_columns(features),
    ]
    return sorted(_keep_present_columns(columns, features), key=lambda column: BLOCKS.index(column.block))


def _keep_present_columns(columns: list[Column], features: pl.DataFrame) -> list[Column]:
    names = {AIR, *features.columns}
    return [c for c in columns if c.field in names and (c.form != "times" or c.level in names)]


def work_columns(features: pl.DataFrame, leak_steps: Sequence[str]) -> list[Column]:
    """Columns for what was done, on what and by whom: steps missed and not recorded, context, technician, brake model.

    Leak steps have a ridge of their own: given the stand readings they keep their effect, other steps lose most of
    theirs.
    """
    steps = steps_of(features)
    block = {step: "leak step" if step in leak_steps else "step" for step in steps}
    columns = [Column(f"missed {s}", "true", MISSED_PREFIX + s, block[s], f"step {s}") for s in steps]
    columns += [Column(f"unrecorded {s}", "null", MISSED_PREFIX + s, "unrecorded", f"unrecorded {s}") for s in steps]
    for word in CONTEXT_CATEGORIES:
        columns += [
            Column(f"{word} {level}", "is", word, "context", word, level)
            for level in _frequent_levels(features, word)[1:]
        ]
    for number in CONTEXT_NUMBERS:
        columns += [
            Column(number, "linear", number, "context", number),
            Column(f"unrecorded {number}", "null", number, "context", number),
        ]
    for group in (TECHNICIAN_BLOCK, "brake_model"):
        columns += [
            Column(f"{group} {level}", "is", group, group, group, level) for level in _frequent_levels(features, group)
        ]
    return _keep_present_columns(columns, features)


def _own_columns(features: pl.DataFrame) -> list[Column]:
    """Columns for the analyst's own features: numbers, yes/no, one-hot encoded text, and whether they were recorded."""
    columns = []
    for name in own_names(features):
        if features.schema[name] == pl.String:
            columns += [
                Column(f"{name} {level}", "is", name, "own", name, level) for level in _frequent_levels(features, name)
            ]
        else:
            columns.append(Column(name, "true" if features.schema[name] == pl.Boolean else "linear", name, "own", name))
        columns.append(Column(f"unrecorded {name}", "null", name, "own", name))
    return columns


def _amount_columns() -> list[Column]:
    """Columns for how much was done (passes, volumes, waiting), and what was known of technician and model before."""
    columns = [Column(f"log {name}", "log", name, "amount", name) for name in (*WORK_AMOUNTS, "flush_ratio")]
    for name in HISTORY:
        group = "brake_model" if name == "model_rate" else TECHNICIAN_BLOCK
        columns.append(Column(name, "log" if name == "technician_bleeds" else "linear", name, "history", group))
    return columns


def _sign_columns() -> list[Column]:
    """Columns for the stand readings one by one, in concave forms only: a line in millimetres overpredicts at the
    far end.
    """
    measured = (
        ("travel_excess_mm", TRAVEL), ("bubbles_first", FIRST), ("bubbles_last", LAST), ("pump_gain_mm", PUMPED),
    )  # fmt: skip
    columns = [Column(f"log {name}", "log", name, "sign", group) for name, group in measured]
    columns += [
        Column("not firm", "false", "hard_pull_firm", "fault", FIRM),
        Column("leak seen", "true", "leak_seen", "fault", LEAK),
    ]
    return columns + [
        Column(f"unrecorded {name}", "null", name, "sign unrecorded", f"unrecorded {group}")
        for name, group in (*measured, ("hard_pull_firm", FIRM))
    ]


def _air_columns(leak_steps: Sequence[str]) -> list[Column]:
    """Columns for the air shown by all readings together, its square, and its products with leak steps.

    A brake that leaks goes soft whatever air is left, so the two effects may add rather than multiply.
    """
    columns = [Column(AIR, "whole", AIR, "air", AIR), Column("air squared", "square", AIR, "air interaction", AIR)]
    return columns + [
        Column(f"air with missed {s}", "times", AIR, "air interaction", f"step {s}", MISSED_PREFIX + s)
        for s in leak_steps
    ]


def _frequent_levels(features: pl.DataFrame, name: str) -> list[str]:
    """The levels of a category that get a column, in alphabetical order."""
    if name not in features.columns:
        return []
    values = features.get_column(name).drop_nulls()
    return values.unique().sort().gather(frequent_codes(level_codes(values))).to_list()
