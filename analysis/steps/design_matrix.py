"""The design of the step models: steps missed, steps not recorded, context, workload, and who did it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CASE_MIX, CASE_MIX_NUMBERS, BleedData
from analysis.stats import level_codes, sum_within_clusters
from analysis.survival import Block

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]
CONTEXT_WORDS = (*CASE_MIX, "shop")
NOT_RECORDED = "not recorded: "
SHRINK_BLEEDS = 8.0
"""Bleeds' worth of the shop's share that a technician's own share missed is pulled toward."""
CALENDAR = 3
"""The degree of the polynomial over the days of the log: up, down and up again."""
FREE, RANGE = 0.25, 4.0
"""Ridges: of effects of interest (steps, context), of those that only remove confounding (means, not recorded)."""


@dataclass(frozen=True)
class Design:
    """Centred columns (n × p), one row a bleed in the order of `Prepared.bleeds`.

    The first `len(steps)` columns are the steps missed (a bleed where a step was not recorded carries its technician's
    own share); `missed` is true for a recorded miss, `unrecorded` where not recorded; `bike` numbers the clusters.
    """

    x: FloatArray = field(repr=False)
    names: tuple[str, ...]
    blocks: tuple[Block, ...]
    steps: tuple[str, ...]
    missed: Flags = field(repr=False)
    unrecorded: Flags = field(repr=False)
    bike: NDArray[np.int64] = field(repr=False)

    @property
    def size(self) -> int:
        return len(self.steps)

    def blocks_of(self, columns: list[int]) -> list[Block]:
        """The ridges of some of the columns, by their places among these."""
        blocks = []
        for block in self.blocks:
            inside = [place for place, column in enumerate(columns) if block.start <= column < block.stop]
            if inside:
                blocks.append(Block(inside[0], inside[-1] + 1, block.penalty, block.pooled))
        return blocks

    @property
    def unrecorded_columns(self) -> list[int]:
        """Places of the columns of steps not recorded, in the order of `unrecorded_steps`."""
        return [i for i, name in enumerate(self.names) if name.startswith(NOT_RECORDED)]

    @property
    def unrecorded_steps(self) -> list[int]:
        """Places among `steps` of those with a column of their own for not recorded."""
        return [self.steps.index(self.names[i].removeprefix(NOT_RECORDED)) for i in self.unrecorded_columns]


@dataclass(frozen=True)
class Part:
    """Columns of one kind that share a ridge: n × names."""

    names: Sequence[str]
    columns: FloatArray = field(repr=False)
    penalty: float
    pooled: bool = False


def design_of(data: BleedData, steps: tuple[str, ...]) -> Design:
    """The design of the steps that can be estimated.

    Technician means of every step column accompany the technician dummies (Y. Mundlak 1978, Econometrica 46:69-85),
    so that partially pooled technicians leave no confounding in.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    steps
        Ids of steps with both missed and met bleeds.
    """
    bleeds, size = data.bleeds, len(data.bleeds)
    columns = [data.missed.get_column(step) for step in steps]
    missed = _stack([column.fill_null(False).to_numpy() for column in columns], size).astype(bool)
    unrecorded = _stack([column.is_null().to_numpy() for column in columns], size).astype(bool)
    technician, names = _levels(bleeds, "technician")
    filled = np.where(unrecorded, _usual_share(missed, unrecorded, technician)[technician], missed)
    some = np.flatnonzero(unrecorded.any(axis=0))
    means = sum_within_clusters(filled, technician) / np.maximum(np.bincount(technician), 1)[:, None]
    parts = [
        Part(steps, filled, FREE),
        Part([NOT_RECORDED + steps[j] for j in some], unrecorded[:, some].astype(float), RANGE),
        _context(bleeds),
        Part([f"mean {step}" for step in steps], means[technician], RANGE) if names else _none(size),
        _dummies(bleeds, "technician"),
        _dummies(bleeds, "brake_model"),
    ]
    x = np.hstack([part.columns for part in parts])
    x -= x.mean(axis=0)
    return Design(
        x=x,
        names=tuple(name for part in parts for name in part.names),
        blocks=_blocks(parts),
        steps=steps,
        missed=missed,
        unrecorded=unrecorded,
        bike=level_codes(bleeds.get_column("bike_id").fill_null("")),
    )


def _blocks(parts: list[Part]) -> tuple[Block, ...]:
    stops = np.cumsum([len(part.names) for part in parts])
    return tuple(
        Block(int(stop) - len(part.names), int(stop), part.penalty, part.pooled)
        for part, stop in zip(parts, stops, strict=True)
    )


def _levels(bleeds: pl.DataFrame, name: str) -> tuple[NDArray[np.int64], list[str]]:
    """Each bleed's level of `name` as a number (an empty cell is a level of its own), and the levels' names; no names where
    all bleeds are of one."""
    words = bleeds.get_column(name).fill_null("")
    names = words.unique().sort().to_list()
    return level_codes(words), names if len(names) > 1 else []


def _dummies(bleeds: pl.DataFrame, name: str) -> Part:
    """A column for each level of `name`, partially pooled; none where all bleeds are of one."""
    codes, names = _levels(bleeds, name)
    if not names:
        return _none(len(bleeds))
    return Part([f"{name} {level}" for level in names], np.eye(len(names))[codes], 1.0, pooled=True)


def _none(rows: int) -> Part:
    return Part([], np.zeros((rows, 0)), FREE)


def _stack(columns: Sequence[NDArray], rows: int) -> FloatArray:
    return np.column_stack(columns) if columns else np.zeros((rows, 0))


def _context(bleeds: pl.DataFrame) -> Part:
    names: list[str] = []
    columns: list[FloatArray] = []
    for name in CONTEXT_WORDS:
        codes, _ = _levels(bleeds, name)
        others = range(1, int(codes.max(initial=0)) + 1)
        names += [f"{name} {level}" for level in others]
        columns += [(codes == level).astype(float) for level in others]
    for name in CASE_MIX_NUMBERS:
        values = bleeds.get_column(name).cast(pl.Float64).fill_null(float("nan")).to_numpy()
        if np.isfinite(values).sum() >= 2 and np.nanstd(values) > 0:
            names += [name, f"{name} not recorded"]
            scaled = np.nan_to_num((values - np.nanmean(values)) / np.nanstd(values))
            columns += [scaled, np.isnan(values).astype(float)]
    both = ((bleeds.get_column("brake") == "rear") & (bleeds.get_column("hose_route") == "internal")).fill_null(False)
    load = np.minimum(bleeds.get_column("bleeds_that_day").to_numpy(), 12).astype(float)
    calendar = _calendar(bleeds)
    names += ["rear and internal", "bleeds that day", *(f"day {power}" for power in range(1, len(calendar) + 1))]
    columns += [both.to_numpy().astype(float), (load - load.mean()) / (load.std() or 1.0), *calendar]
    kept = [place for place, column in enumerate(columns) if len(column) and column.min() < column.max()]
    return Part([names[i] for i in kept], _stack([columns[i] for i in kept], len(bleeds)), FREE)


def _calendar(bleeds: pl.DataFrame) -> list[FloatArray]:
    """A smooth trend over the log's days, so that drift over the years is not attributed to technique."""
    moment = bleeds.get_column("started_at").to_physical().to_numpy().astype(float)
    span = float(np.ptp(moment)) if len(moment) else 0.0
    if span <= 0:
        return []
    scaled = 2 * (moment - moment.min()) / span - 1
    return [np.asarray(np.polynomial.Legendre.basis(power)(scaled)) for power in range(1, CALENDAR + 1)]


def _usual_share(missed: Flags, unrecorded: Flags, technician: NDArray[np.int64]) -> FloatArray:
    """The share missed by technician (rows) and step, pulled toward the shop's."""
    misses = sum_within_clusters(missed.astype(float), technician)
    recorded = sum_within_clusters((~unrecorded).astype(float), technician)
    shop = misses.sum(axis=0) / np.maximum(recorded.sum(axis=0), 1)
    return (misses + SHRINK_BLEEDS * shop) / (recorded + SHRINK_BLEEDS)
