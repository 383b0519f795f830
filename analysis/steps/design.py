"""The design every layer stands on: steps missed, steps not recorded, context, workload, and who did it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import SINGLE_FROM, Block
from analysis.prepared import Prepared
from analysis.regression import Base, Workers, level_codes
from analysis.steps.columns import Column, Levels, Part, centred, grouped, standardised, ticked, ticks, varying

Numbers = NDArray[np.float64]
Ticks = NDArray[np.bool_]
Codes = NDArray[np.integer]
CONTEXT_WORDS = ("brake", "hose_route", "job_reason", "fluid_required", "bike_kind", "fluid_out", "shop")
CONTEXT_NUMBERS = ("hose_mm", "shop_temp_c", "lever_travel_before_mm", "piston_pairs")
FIELDS_READ = (
    *CONTEXT_WORDS, *CONTEXT_NUMBERS, "technician", "brake_model", "bike_id", "started_at", "bleeds_that_day", "mature",
    "came_back", "days_at_risk", "end", "return_days", "next_bleed_days", "age_days",
)  # fmt: skip
"""What steps are reckoned from by return alone, beside the steps themselves."""
NOT_RECORDED = "not recorded: "
SHRINK_BLEEDS = 8.0
"""Bleeds' worth of the shop's share that a technician's own share missed is pulled toward."""
CALENDAR = 3
"""The degree of the course over the days of the log: up, down and up again."""
FREE, HELD = 0.25, 4.0
"""Ridges: of effects one wants to see (steps, context), of those that only take confounding out (means, not recorded)."""


@dataclass(frozen=True)
class Design:
    """Centred columns, one row a bleed in the order of `Prepared.bleeds`.

    The first `len(steps)` columns are the steps missed (a bleed where a step was not recorded carries its technician's
    own share); `missed` is true for a recorded miss, `unrecorded` where not recorded.
    """

    x: Base
    names: tuple[str, ...]
    blocks: tuple[Block, ...]
    steps: tuple[str, ...]
    missed: Ticks = field(repr=False)
    unrecorded: Ticks = field(repr=False)
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
    bleeds, size = prepared.bleeds, len(prepared.bleeds)
    technician = _levels_of(bleeds, "technician")
    raw = [prepared.missed.get_column(s) for s in steps]
    missed = _beside([column.fill_null(False).to_numpy() for column in raw], size)
    unrecorded = _beside([column.is_null().to_numpy() for column in raw], size)
    habits = _habits(missed, unrecorded, technician)
    filled = [
        partial(_filled, missed[:, j], unrecorded[:, j], habits.share[:, j], technician.codes)
        for j in range(len(steps))
    ]
    some = np.flatnonzero(unrecorded.any(axis=0))
    parts = [
        Part(steps, filled, FREE, means=habits.filled.sum(axis=0) / max(size, 1)),
        Part([NOT_RECORDED + steps[j] for j in some], [partial(_column, unrecorded[:, j]) for j in some], HELD),
        _context(bleeds),
        grouped([f"mean {s}" for s in steps if len(technician) > 1], habits.means, technician, HELD),
        _who(bleeds, "technician", technician),
        _who(bleeds, "brake_model", _levels_of(bleeds, "brake_model")),
    ]
    kind = np.float32 if size > SINGLE_FROM else np.float64
    stops = np.cumsum([len(part.names) for part in parts])
    blocks = tuple(
        Block(int(stop) - len(part.names), int(stop), part.penalty, part.pooled)
        for part, stop in zip(parts, stops, strict=True)
    )
    made = centred(parts, size, kind)
    return Design(
        x=made(slice(0, size)) if workers is None else workers.spread(size, made),
        names=tuple(name for part in parts for name in part.names),
        blocks=blocks,
        steps=steps,
        missed=missed,
        unrecorded=unrecorded,
        bike=level_codes(bleeds.get_column("bike_id").fill_null("")),
    )


def _levels_of(bleeds: pl.DataFrame, name: str) -> Levels:
    """Each bleed's word as a small number, in the order of the words; an empty cell is a word of its own."""
    codes = level_codes(bleeds.get_column(name).fill_null(""))
    return Levels(codes.astype(np.min_scalar_type(int(codes.max(initial=0)))))


def _beside(columns: list[Ticks], rows: int) -> Ticks:
    return np.column_stack(columns) if columns else np.zeros((rows, 0), dtype=bool)


def _column(values: Ticks, part: slice) -> Ticks:
    return values[part]


def _filled(missed: Ticks, unrecorded: Ticks, share: Numbers, by: Codes, part: slice) -> Numbers:
    """Whether a step was missed, the technician's own share where that was not recorded."""
    return np.where(unrecorded[part], share[by[part]], missed[part])


def _who(bleeds: pl.DataFrame, name: str, levels: Levels) -> Part:
    """A column each for the levels of `name`, partially pooled; none where all are one."""
    names = _names(bleeds, name)
    return grouped(names, np.eye(max(len(names), 1)), levels, 1.0, pooled=True)


def _context(bleeds: pl.DataFrame) -> Part:
    names: list[str] = []
    columns: list[Column] = []
    for name in CONTEXT_WORDS:
        own = ticks(_levels_of(bleeds, name))
        names += [f"{name} {level}" for level in range(1, len(own) + 1)]
        columns += own
    for name in CONTEXT_NUMBERS:
        values = _floats(bleeds.get_column(name))
        if np.isfinite(values).sum() >= 2 and np.nanstd(values) > 0:
            names += [name, f"{name} not recorded"]
            columns += standardised(values)
    both = ((bleeds.get_column("brake") == "rear") & (bleeds.get_column("hose_route") == "internal")).fill_null(False)
    load = np.minimum(bleeds.get_column("bleeds_that_day").to_numpy(), 12).astype(float)
    names += ["rear and internal", "bleeds that day"]
    columns += [ticked(both.to_numpy()), partial(_column, (load - load.mean()) / (load.std() or 1.0))]
    calendar = _calendar(bleeds)
    names += [f"day {power}" for power in range(1, len(calendar) + 1)]
    columns += calendar
    return varying(names, columns, len(bleeds), FREE)


def _calendar(bleeds: pl.DataFrame) -> list[Column]:
    """A smooth course over the log's days, so that what drifts with technique over the years is not laid to it."""
    moment = bleeds.get_column("started_at").to_physical().to_numpy()
    first = float(moment.min()) if len(moment) else 0.0
    span = float(moment.max()) - first if len(moment) else 0.0

    def power(which: int, part: slice) -> Numbers:
        along = 2 * (moment[part].astype(float) - first) / span - 1
        return np.asarray(np.polynomial.Legendre.basis(which)(along))

    return [partial(power, which) for which in range(1, CALENDAR + 1)] if span > 0 else []


@dataclass(frozen=True)
class _Habits:
    """Of each technician (rows) and step: the share missed, pulled toward the shop's; the step's column summed, with that
    share where it was not recorded, and its mean."""

    share: Numbers
    filled: Numbers
    means: Numbers


def _habits(missed: Ticks, unrecorded: Ticks, technician: Levels) -> _Habits:
    bleeds = technician.bleeds[:, None]
    came, untold = (_counts(one, technician) for one in (missed, unrecorded))
    recorded = bleeds - untold
    shop = came.sum(axis=0) / np.maximum(recorded.sum(axis=0), 1)
    share = (came + SHRINK_BLEEDS * shop) / (recorded + SHRINK_BLEEDS)
    filled = came + untold * share
    return _Habits(share, filled, filled / np.maximum(bleeds, 1))


def _counts(yes: Ticks, levels: Levels) -> Numbers:
    """How often each column is so, by level: levels × columns."""
    columns = [np.bincount(levels.codes, one, len(levels)) for one in yes.T]
    return np.column_stack(columns) if columns else np.zeros((len(levels), 0))


def _names(bleeds: pl.DataFrame, name: str) -> list[str]:
    levels = bleeds.get_column(name).fill_null("").unique().sort().to_list()
    return [f"{name} {level}" for level in levels] if len(levels) > 1 else []


def _floats(column: pl.Series) -> Numbers:
    return column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
