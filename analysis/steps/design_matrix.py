"""Design matrix of the step models: steps missed or not recorded, readings taken between steps, context, people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CASE_MIX_NUMBERS, CONTEXT_CATEGORIES, BleedData
from analysis.stats import frequent_codes, level_codes, sum_within_clusters
from analysis.survival import Block
from schemas import field_entries
from schemas.log import Sessions

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]
NOT_RECORDED = "not recorded: "
PRIOR_BLEEDS = 8.0
"""Weight of the shop's miss rate in a technician's own, in bleeds."""
CALENDAR_DEGREE = 3
"""Degree of the polynomial in calendar time."""
EFFECT_RIDGE, NUISANCE_RIDGE = 0.25, 4.0
"""Ridge penalties: of the effects of interest (steps, context), and of columns that only remove confounding (means,
not recorded)."""
READINGS = tuple(
    (entry.name, entry.place)
    for entry in field_entries("sessions", Sessions)
    if entry.role == "sign" and entry.place in ("first pass", "passes") and entry.type == "whole number"
)
"""Readings taken while work goes on, with their place in time: they may steer the steps after them."""
SMALL_RIDGE, MIN_READINGS = 1e-2, 20


@dataclass(frozen=True)
class Design:
    """Design matrix `x` (n × p, centred), one row per bleed in the order of `BleedData.bleeds`.

    The first `len(steps)` columns are the steps: 1 missed, 0 met, the technician's own miss rate where not recorded.
    `missed` and `unrecorded` are n × steps; `blocks` holds the ridge of each group of columns; `bike` numbers the
    clusters.
    """

    x: FloatArray = field(repr=False)
    names: tuple[str, ...]
    blocks: tuple[Block, ...]
    steps: tuple[str, ...]
    missed: Flags = field(repr=False)
    unrecorded: Flags = field(repr=False)
    bike: NDArray[np.int64] = field(repr=False)

    @property
    def step_count(self) -> int:
        return len(self.steps)

    def select_blocks(self, columns: list[int]) -> list[Block]:
        """Ridge blocks of a subset of the columns, by their position in that subset."""
        blocks = []
        for block in self.blocks:
            positions = [position for position, column in enumerate(columns) if block.start <= column < block.stop]
            if positions:
                blocks.append(Block(positions[0], positions[-1] + 1, block.penalty, block.pooled))
        return blocks

    @property
    def unrecorded_columns(self) -> list[int]:
        """Columns of `x` that mark a step as not recorded."""
        return [i for i, name in enumerate(self.names) if name.startswith(NOT_RECORDED)]

    @property
    def unrecorded_steps(self) -> list[int]:
        """Index in `steps` of each of the `unrecorded_columns`."""
        return [self.steps.index(self.names[i].removeprefix(NOT_RECORDED)) for i in self.unrecorded_columns]


@dataclass(frozen=True)
class ColumnGroup:
    """Columns of one kind that share a ridge penalty: n × names."""

    names: Sequence[str]
    columns: FloatArray = field(repr=False)
    penalty: float
    pooled: bool = False


def build_design(data: BleedData, steps: tuple[str, ...]) -> Design:
    """Build the design matrix of the estimable steps.

    A reading taken between steps (bubbles in the first pass) is a confounder of the steps after it and an effect of those
    before it. It enters as its residual given the steps before it, so that the coefficients of later steps are adjusted
    for it and those of earlier steps still contain the indirect effect through it. (The residual's own error is ignored: it is
    about 1/50 of a step's variance, as every bleed shows the reading and few come back.)

    Technicians and brake models are partially pooled. Each technician's mean of every step column is included
    (Y. Mundlak 1978, Econometrica 46:69-85), so that pooling leaves no confounding by technician. Of the extra custom fields
    only those of role context adjust: a reading is on the way from a missed step to a comeback.

    Parameters
    ----------
    data
        Bleeds to fit.
    steps
        Ids of steps that were both missed and met.
    """
    bleeds, size = data.bleeds, len(data.bleeds)
    columns = [data.missed.get_column(step) for step in steps]
    missed = _column_stack([column.fill_null(False).to_numpy() for column in columns], size).astype(bool)
    unrecorded = _column_stack([column.is_null().to_numpy() for column in columns], size).astype(bool)
    technician, technicians = _code_levels(bleeds, "technician")
    step_values = np.where(unrecorded, _shrunken_miss_rates(missed, unrecorded, technician)[technician], missed)
    with_gaps = np.flatnonzero(unrecorded.any(axis=0))
    technician_means = sum_within_clusters(step_values, technician) / np.maximum(np.bincount(technician), 1)[:, None]
    groups = [
        ColumnGroup(steps, step_values, EFFECT_RIDGE),
        ColumnGroup(
            [NOT_RECORDED + steps[j] for j in with_gaps], unrecorded[:, with_gaps].astype(float), NUISANCE_RIDGE
        ),
        _context_columns(bleeds),
        ColumnGroup([f"mean {step}" for step in steps], technician_means[technician], NUISANCE_RIDGE)
        if technicians
        else _empty_column_group(size),
        _indicator_columns(bleeds, "technician"),
        _indicator_columns(bleeds, "brake_model"),
        *_own_context_columns(data),
    ]
    groups.append(_reading_columns(data, steps, groups))
    x = np.hstack([part.columns for part in groups])
    x -= x.mean(axis=0)
    return Design(
        x=x,
        names=tuple(name for part in groups for name in part.names),
        blocks=_ridge_blocks(groups),
        steps=steps,
        missed=missed,
        unrecorded=unrecorded,
        bike=level_codes(bleeds.get_column("bike_id").fill_null("")),
    )


def _reading_columns(data: BleedData, steps: tuple[str, ...], groups: Sequence[ColumnGroup]) -> ColumnGroup:
    """Log of each reading taken between steps and its square, less what the steps before it and the work explain."""
    by_id = {step.id: step for step in data.standard.steps}
    names: list[str] = []
    columns: list[FloatArray] = []
    for name, place in READINGS:
        count = data.bleeds.get_column(name, default=pl.Series(dtype=pl.Int64))
        later = [step for step in steps if by_id[step].is_after(place)]
        if not later or count.count() < MIN_READINGS or name in {step.field for step in by_id.values()}:
            continue
        dropped = {*later, *(NOT_RECORDED + step for step in later), *(f"mean {step}" for step in later)}
        earlier = [(part.columns, place) for part in groups for place, n in enumerate(part.names) if n not in dropped]
        names += [name, f"{name} squared", f"{name} not recorded"]
        columns += _count_residuals(count, earlier)
    return ColumnGroup(names, _column_stack(columns, len(data.bleeds)), EFFECT_RIDGE)


def _count_residuals(count: pl.Series, earlier: Sequence[tuple[FloatArray, int]]) -> list[FloatArray]:
    """Residuals of the standardised log count and its square (0 where not recorded), and whether it is not recorded."""
    recorded = count.is_not_null().to_numpy()
    log = np.log1p(count.fill_null(0).to_numpy().astype(float))
    scaled = (log - log[recorded].mean()) / (log[recorded].std() or 1.0)
    basis = np.column_stack([scaled, scaled**2 - 1])
    rows = np.ones((int(recorded.sum()), len(earlier) + 1))
    for place, (columns, column) in enumerate(earlier):
        rows[:, place] = columns[recorded, column]
    slopes = np.linalg.solve(rows.T @ rows + SMALL_RIDGE * np.eye(rows.shape[1]), rows.T @ basis[recorded])
    residual = np.zeros_like(basis)
    residual[recorded] = basis[recorded] - rows @ slopes
    return [residual[:, 0], residual[:, 1], 1.0 - recorded]


def _ridge_blocks(parts: list[ColumnGroup]) -> tuple[Block, ...]:
    stops = np.cumsum([len(part.names) for part in parts])
    return tuple(
        Block(int(stop) - len(part.names), int(stop), part.penalty, part.pooled)
        for part, stop in zip(parts, stops, strict=True)
    )


def _code_levels(bleeds: pl.DataFrame, name: str) -> tuple[NDArray[np.int64], list[str]]:
    """Code of each bleed's level of `name` (an empty cell is a level of its own), and the level names; no names with
    one level only.
    """
    values = bleeds.get_column(name).fill_null("")
    names = values.unique().sort().to_list()
    return level_codes(values), names if len(names) > 1 else []


def _indicator_columns(bleeds: pl.DataFrame, name: str) -> ColumnGroup:
    """One partially pooled column for each frequent level of `name`; none with one level only."""
    codes, names = _code_levels(bleeds, name)
    if not names:
        return _empty_column_group(len(bleeds))
    frequent = frequent_codes(codes)
    columns = (codes[:, None] == frequent).astype(float)
    return ColumnGroup([f"{name} {names[code]}" for code in frequent], columns, 1.0, pooled=True)


def _empty_column_group(rows: int) -> ColumnGroup:
    return ColumnGroup([], np.zeros((rows, 0)), EFFECT_RIDGE)


def _column_stack(columns: Sequence[NDArray], rows: int) -> FloatArray:
    return np.column_stack(columns) if columns else np.zeros((rows, 0))


def _context_columns(bleeds: pl.DataFrame) -> ColumnGroup:
    """Case mix, shop, workload and calendar time; constant columns are dropped."""
    names: list[str] = []
    columns: list[FloatArray] = []
    for name in CONTEXT_CATEGORIES:
        codes, _ = _code_levels(bleeds, name)
        level_numbers = [level for level in frequent_codes(codes).tolist() if level > 0]
        names += [f"{name} {level}" for level in level_numbers]
        columns += [(codes == level).astype(float) for level in level_numbers]
    for name in CASE_MIX_NUMBERS:
        scaled = _scaled_columns(bleeds.get_column(name))
        names += [name, f"{name} not recorded"][: len(scaled)]
        columns += scaled
    internal_rear = (
        (bleeds.get_column("brake") == "rear") & (bleeds.get_column("hose_route") == "internal")
    ).fill_null(False)
    workload = np.minimum(bleeds.get_column("bleeds_that_day").to_numpy(), 12).astype(float)
    calendar = _calendar_polynomials(bleeds)
    names += ["rear and internal", "bleeds that day", *(f"day {power}" for power in range(1, len(calendar) + 1))]
    columns += [
        internal_rear.to_numpy().astype(float),
        (workload - workload.mean()) / (workload.std() or 1.0),
        *calendar,
    ]
    varying = [index for index, column in enumerate(columns) if len(column) and column.min() < column.max()]
    return ColumnGroup(
        [names[i] for i in varying], _column_stack([columns[i] for i in varying], len(bleeds)), EFFECT_RIDGE
    )


def _scaled_columns(values: pl.Series) -> list[FloatArray]:
    """A number by its standard deviation (0 where not recorded), and whether it is missing; nothing without variation."""
    numbers = values.cast(pl.Float64).fill_null(float("nan")).to_numpy()
    if np.isfinite(numbers).sum() < 2 or not np.nanstd(numbers) > 0:
        return []
    return [np.nan_to_num((numbers - np.nanmean(numbers)) / np.nanstd(numbers)), np.isnan(numbers).astype(float)]


def _own_context_columns(data: BleedData) -> list[ColumnGroup]:
    """Columns of the extra custom fields with the role context: numbers scaled, text one-hot encoded and partially pooled."""
    groups = []
    for name in (own.name for own in data.extra if own.role == "context"):
        values = data.bleeds.get_column(name)
        if values.dtype.is_numeric():
            columns = [column for column in _scaled_columns(values) if column.min() < column.max()]
            names = [name, f"{name} not recorded"][: len(columns)]
            groups.append(ColumnGroup(names, _column_stack(columns, len(values)), EFFECT_RIDGE))
        else:
            groups.append(_indicator_columns(data.bleeds.select(pl.col(name).cast(pl.String)), name))
    return groups


def _calendar_polynomials(bleeds: pl.DataFrame) -> list[FloatArray]:
    """Legendre polynomials of the starting time, so that drift over the years is not attributed to technique."""
    start = bleeds.get_column("started_at").to_physical().to_numpy().astype(float)
    span = float(np.ptp(start)) if len(start) else 0.0
    if span <= 0:
        return []
    scaled = 2 * (start - start.min()) / span - 1
    return [np.asarray(np.polynomial.Legendre.basis(power)(scaled)) for power in range(1, CALENDAR_DEGREE + 1)]


def _shrunken_miss_rates(missed: Flags, unrecorded: Flags, technician: NDArray[np.int64]) -> FloatArray:
    """Miss rate of each technician (rows) and step (columns), shrunk towards the shop's by `PRIOR_BLEEDS`."""
    misses = sum_within_clusters(missed.astype(float), technician)
    recorded = sum_within_clusters((~unrecorded).astype(float), technician)
    shop_rate = misses.sum(axis=0) / np.maximum(recorded.sum(axis=0), 1)
    return (misses + PRIOR_BLEEDS * shop_rate) / (recorded + PRIOR_BLEEDS)
