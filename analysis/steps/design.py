"""The design every layer stands on: steps missed, steps not recorded, context, workload, and who did it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import Block
from analysis.prepared import Prepared
from analysis.regression import Base, Workers, level_codes

Numbers = NDArray[np.float64]
CONTEXT_WORDS = ("brake", "hose_route", "job_reason", "fluid_required", "bike_kind", "fluid_out", "shop")
CONTEXT_NUMBERS = ("hose_mm", "shop_temp_c", "lever_travel_before_mm", "piston_pairs")
NOT_RECORDED = "not recorded: "
SHRINK_BLEEDS = 8.0
"""Bleeds' worth of the shop's share that a technician's own share missed is pulled toward."""
SINGLE_FROM = 10_000
"""Columns of more bleeds than this are kept in single precision, less their means: what is lost is in the seventh figure."""
CALENDAR = 3
"""The degree of the course over the days of the log: up, down and up again."""
FREE, HELD = 0.25, 4.0
"""Ridges: of effects one wants to see (steps, context), of those that only take confounding out (means, not recorded)."""


@dataclass(frozen=True)
class Design:
    """Centred columns, one row a bleed in the order of `Prepared.bleeds`.

    The first `len(steps)` columns are the steps missed (a bleed where a step was not recorded carries its technician's
    own share); `missed` holds 1 for a recorded miss, else 0, and `unrecorded` 1 where not recorded.
    """

    x: Base
    names: tuple[str, ...]
    blocks: tuple[Block, ...]
    steps: tuple[str, ...]
    missed: NDArray[np.floating] = field(repr=False)
    unrecorded: NDArray[np.floating] = field(repr=False)
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


def design_of(prepared: Prepared, steps: tuple[str, ...], workers: Workers | None = None) -> Design:
    """The design of the steps that can be told.

    Technician means of every step column stand beside the technician dummies (Y. Mundlak 1978, Econometrica 46:69-85),
    so that partially pooled technicians leave no confounding in.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    steps
        Ids of steps with both missed and met bleeds.
    workers
        Where the columns shall lie, row by row; here unless given.
    """
    bleeds = prepared.bleeds
    technician = level_codes(bleeds.get_column("technician").fill_null(""))
    raw = (
        np.column_stack([_floats(prepared.missed.get_column(s)) for s in steps])
        if steps
        else np.zeros((len(bleeds), 0))
    )
    unrecorded = np.isnan(raw)
    share = _own_share(raw, technician)
    filled = np.where(unrecorded, share[technician], raw)
    some = unrecorded.any(axis=0)
    several = technician.max(initial=0) > 0
    names = [NOT_RECORDED + s for s in np.array(steps)[some]]
    parts = [
        _Part([*steps], filled, FREE),
        _Part(names, unrecorded[:, some], HELD),
        _context(bleeds),
        _grouped([f"mean {s}" for s in steps if several], _means(filled, technician), technician, HELD),
        _who(bleeds, "technician"),
        _who(bleeds, "brake_model"),
    ]
    kind = np.float32 if len(bleeds) > SINGLE_FROM else np.float64
    stops = np.cumsum([len(part.names) for part in parts])
    blocks = tuple(
        Block(int(stop) - len(part.names), int(stop), part.penalty, part.pooled)
        for part, stop in zip(parts, stops, strict=True)
    )
    made = partial(_centred, parts, [part.mean() for part in parts], kind)
    return Design(
        x=made(slice(0, len(bleeds))) if workers is None else workers.spread(len(bleeds), made),
        names=tuple(name for part in parts for name in part.names),
        blocks=blocks,
        steps=steps,
        missed=np.nan_to_num(raw).astype(kind, copy=False),
        unrecorded=unrecorded.astype(kind),
        bike=level_codes(bleeds.get_column("bike_id").fill_null("")),
    )


@dataclass(frozen=True)
class _Part:
    """Columns of one kind: one row a bleed, or, with `by`, one row a group and each bleed's group."""

    names: list[str]
    columns: Numbers | NDArray[np.bool_]
    penalty: float
    pooled: bool = False
    by: NDArray[np.int64] | None = None

    def rows(self, rows: slice) -> Numbers | NDArray[np.bool_]:
        return self.columns[rows] if self.by is None else self.columns[self.by[rows]]

    def mean(self) -> Numbers:
        """Over the bleeds, one a column."""
        if self.by is None:
            return np.asarray(self.columns.mean(axis=0, dtype=float))
        return np.bincount(self.by, minlength=len(self.columns)) @ self.columns / len(self.by)


def _centred(parts: list[_Part], means: list[Numbers], kind: type[np.floating], rows: slice) -> NDArray[np.floating]:
    """Some rows of all parts' columns less their means, beside one another."""
    x = np.empty((rows.stop - rows.start, sum(len(mean) for mean in means)), dtype=kind)
    stop = 0
    for part, mean in zip(parts, means, strict=True):
        start, stop = stop, stop + len(mean)
        x[:, start:stop] = part.rows(rows) - mean
    return x


def _grouped(names: list[str], columns: Numbers, by: NDArray[np.int64], penalty: float, pooled: bool = False) -> _Part:
    """Columns of which each group has one row; none without names."""
    if not names:
        return _Part([], np.zeros((len(by), 0)), penalty, pooled)
    return _Part(names, columns, penalty, pooled, by)


def _who(bleeds: pl.DataFrame, name: str) -> _Part:
    """A column each for the levels of `name`, partially pooled; none where all are one."""
    levels = _levels(bleeds, name)
    return _grouped(levels, np.eye(len(levels)), level_codes(bleeds.get_column(name).fill_null("")), 1.0, pooled=True)


def _context(bleeds: pl.DataFrame) -> _Part:
    names, columns = [], []
    for name in CONTEXT_WORDS:
        codes = level_codes(bleeds.get_column(name).fill_null(""))
        for level in range(1, codes.max(initial=0) + 1):
            names.append(f"{name} {level}")
            columns.append((codes == level).astype(float))
    for name in CONTEXT_NUMBERS:
        values = _floats(bleeds.get_column(name))
        if np.isfinite(values).sum() >= 2 and np.nanstd(values) > 0:
            names += [name, f"{name} not recorded"]
            columns += [
                np.nan_to_num((values - np.nanmean(values)) / np.nanstd(values)),
                np.isnan(values).astype(float),
            ]
    both = (bleeds.get_column("brake") == "rear") & (bleeds.get_column("hose_route") == "internal")
    load = np.minimum(bleeds.get_column("bleeds_that_day").to_numpy(), 12).astype(float)
    names += ["rear and internal", "bleeds that day"]
    columns += [both.fill_null(False).to_numpy().astype(float), (load - load.mean()) / (load.std() or 1.0)]
    calendar = _calendar(bleeds)
    names += [f"day {power}" for power in range(1, calendar.shape[1] + 1)]
    columns += list(calendar.T)
    kept = [i for i, column in enumerate(columns) if column.std() > 0]
    stacked = np.column_stack([columns[i] for i in kept]) if kept else np.zeros((len(bleeds), 0))
    return _Part([names[i] for i in kept], stacked, FREE)


def _calendar(bleeds: pl.DataFrame) -> Numbers:
    """A smooth course over the log's days, so that what drifts with technique over the years is not laid to it."""
    moment = bleeds.get_column("started_at").to_physical().to_numpy().astype(float)
    span = moment.max(initial=0.0) - moment.min(initial=np.inf)
    if not 0 < span < np.inf:
        return np.zeros((len(moment), 0))
    return np.polynomial.legendre.legvander(2 * (moment - moment.min()) / span - 1, CALENDAR)[:, 1:]


def _own_share(raw: Numbers, technician: NDArray[np.int64]) -> Numbers:
    """Each technician's share missed of each step, pulled toward the shop's."""
    known = ~np.isnan(raw)
    shop = np.nan_to_num(raw).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    people = technician.max(initial=-1) + 1
    missed, recorded = np.zeros((people, raw.shape[1])), np.zeros((people, raw.shape[1]))
    for step in range(raw.shape[1]):
        missed[:, step] = np.bincount(technician, np.nan_to_num(raw[:, step]), people)
        recorded[:, step] = np.bincount(technician, known[:, step], people)
    return (missed + SHRINK_BLEEDS * shop) / (recorded + SHRINK_BLEEDS)


def _means(columns: Numbers, group: NDArray[np.int64]) -> Numbers:
    size = np.bincount(group)[:, None]
    sums = np.column_stack([np.bincount(group, column, len(size)) for column in columns.T])
    return sums / np.maximum(size, 1)


def _levels(bleeds: pl.DataFrame, name: str) -> list[str]:
    levels = bleeds.get_column(name).fill_null("").unique().sort().to_list()
    return [f"{name} {level}" for level in levels] if len(levels) > 1 else []


def _floats(column: pl.Series) -> Numbers:
    return column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
