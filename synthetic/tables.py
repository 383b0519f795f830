"""The tables of the log, from what happened and what was recorded."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas.log import Sessions
from synthetic.course import SimulatedHistory
from synthetic.fleet import BIKE_KINDS, IntArray, first_day
from synthetic.jobs import FLUID_STATES, REASONS, lot_and_kit_columns
from synthetic.models import DOT, MINERAL, MODELS
from synthetic.recording import Recording
from synthetic.technicians import Staff
from synthetic.workshop import Workshop

DIGITS = 7
INTEGERS = ("blocks_fitted", "cycles", "bubbles_first", "bubbles_last", "lever_vacuum_strokes")


@dataclass(frozen=True)
class Fluids:
    """Fluid required, fluid used and fluid of the kit, one entry per bleed."""

    required: NDArray[np.str_]
    used: NDArray[np.str_]
    kit: NDArray[np.str_]


def session_ids(rows: IntArray) -> pl.Series:
    """IDs of bleeds from their row numbers."""
    return pl.Series("session_id", rows + 1).cast(pl.String).str.zfill(DIGITS).str.replace("^", "S")


def piston_pairs(past: SimulatedHistory) -> NDArray[np.int64]:
    """Pairs of pistons of each bleed's brake."""
    return past.fleet.piston_pairs[past.course.jobs.brake]


def sample_fluids(workshop: Workshop, past: SimulatedHistory, rng: np.random.Generator) -> Fluids:
    """The correct fluid, except for `wrong_fluids` and `wrong_kits` bleeds with the other type."""
    required = np.array([m.fluid for m in MODELS])[past.fleet.model[past.course.jobs.brake]]
    other = np.where(required == MINERAL, DOT, MINERAL)
    n = len(required)
    rows = rng.permutation(n)[: workshop.wrong_fluids + workshop.wrong_kits]
    used, kit = required.copy(), required.copy()
    used[rows[: workshop.wrong_fluids]] = other[rows[: workshop.wrong_fluids]]
    kit[rows[workshop.wrong_fluids :]] = other[rows[workshop.wrong_fluids :]]
    return Fluids(required, used, kit)


def sessions_table(workshop: Workshop, past: SimulatedHistory, recording: Recording, fluids: Fluids) -> pl.DataFrame:
    """The `sessions` table, sorted by session_id and start."""
    jobs, brakes = past.course.jobs, past.fleet
    bikes = brakes.bike[jobs.brake]
    frame = pl.DataFrame(
        {
            "session_id": session_ids(np.arange(jobs.count)),
            "shop": pl.Series(workshop.shops).gather(brakes.shop[jobs.brake]),
            "bike_id": bike_ids(bikes),
            "brake": pl.Series(["front", "rear"]).gather(brakes.rear[jobs.brake].astype(int)),
            "technician": pl.Series(past.people.names).gather(jobs.technician),
            "started_at": date_times(jobs.start),
            "job_reason": pl.Series(REASONS).gather(jobs.reason),
            "brake_model": pl.Series([m.name for m in MODELS]).gather(brakes.model[jobs.brake]),
            "fluid_required": pl.Series(fluids.required.tolist()),
            "fluid_used": pl.Series(fluids.used.tolist()),
            "kit_fluid": pl.Series(fluids.kit.tolist()),
            "piston_pairs": piston_pairs(past),
        }
    )
    frame = frame.with_columns(_trial_columns(workshop, past))
    shop = brakes.shop[jobs.brake]
    frame = frame.with_columns(lot_and_kit_columns(workshop, jobs.start, jobs.day, shop))
    words = {
        "bike_kind": pl.Series(BIKE_KINDS).gather(brakes.kind[jobs.brake]),
        "hose_route": pl.Series(["external", "internal"]).gather(brakes.internal[jobs.brake].astype(int)),
        "fluid_out": pl.Series(FLUID_STATES).gather(jobs.fluid_out),
    }
    plain = {
        field: pl.Series(values, strict=False).cast(pl.Int64 if field in INTEGERS else None or _column_type(values))
        for field, values in recording.columns.items()
    }
    frame = frame.with_columns(**words, **plain)
    left_out = [
        pl.when(pl.Series(recorded)).then(pl.col(field)).alias(field) for field, recorded in recording.recorded.items()
    ]
    renamed = frame.with_columns(left_out).rename({"temp_c": "shop_temp_c"})
    return renamed.select(_schema_order(renamed.columns))


def _trial_columns(workshop: Workshop, past: SimulatedHistory) -> list[pl.Series]:
    """Name, arm and unit of the trial for the bleeds in it; no columns without a trial."""
    if workshop.trial is None:
        return []
    jobs, shop = past.course.jobs, past.fleet.shop[past.course.jobs.brake]
    changed = past.people.shop_changes[shop]
    frame = pl.DataFrame({"within": jobs.month >= workshop.trial.month, "changed": changed}).select(
        trial=pl.when("within").then(pl.lit(workshop.trial.name)),
        trial_arm=pl.when(pl.col("within") & pl.col("changed"))
        .then(pl.lit("changed"))
        .when("within")
        .then(pl.lit("as before")),
        trial_unit=pl.when("within").then(pl.lit("workshop")),
    )
    return frame.get_columns()


def comebacks_table(past: SimulatedHistory, rows: pl.DataFrame) -> pl.DataFrame:
    """The `comebacks` table, sorted by comeback_id and day of return."""
    jobs, brakes = past.course.jobs, past.fleet
    rows = rows.sort("start", "row")
    row = rows["row"].to_numpy()
    brake = jobs.brake[row]
    number = pl.Series(np.arange(1, len(row) + 1)).cast(pl.String).str.zfill(DIGITS - 1)
    return rows.select(
        ("R" + number).alias("comeback_id"),
        pl.when("written_session").then(session_ids(row)).alias("session_id"),
        bike_ids(brakes.bike[brake]).alias("bike_id"),
        pl.when("written_brake")
        .then(pl.Series(["front", "rear"]).gather(brakes.rear[brake].astype(int)))
        .alias("brake"),
        date_times(rows["start"].to_numpy()).alias("returned_at"),
        "complaint",
        "finding",
        "minutes",
        "parts_cost",
    )


def passes_table(workshop: Workshop, sessions: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """The `passes` table of some bleeds with two passes or more; its sums agree with `sessions`."""
    fields = ("cycles", "volume_moved_ml", "bubbles_first", "bubbles_last")
    noted = pl.Series(rng.random(sessions.height) < workshop.passes_share)
    some = sessions.filter(noted & (pl.col("cycles") >= 2)).drop_nulls(fields).select("session_id", *fields)
    cycle = some["cycles"].to_numpy()
    row = np.repeat(np.arange(some.height), 2 * cycle)
    place = np.arange(len(row)) - np.repeat(np.cumsum(2 * cycle) - 2 * cycle, 2 * cycle)
    each = some[row]
    inner = rng.binomial(each["bubbles_first"].to_numpy(), 0.25)
    total = np.select(
        [place < 2, place >= 2 * each["cycles"].to_numpy() - 2],
        [each["bubbles_first"].to_numpy(), each["bubbles_last"].to_numpy()],
        inner,
    )
    down = place % 2 == 0
    bubbles = np.where(down, (total + 1) // 2, total // 2)
    tenths = np.round(each["volume_moved_ml"].to_numpy() * 10).astype(np.int64)
    passes = 2 * each["cycles"].to_numpy()
    ml = (tenths // passes + (place < tenths % passes)) / 10
    return pl.DataFrame(
        {
            "session_id": each["session_id"],
            "pass_no": place + 1,
            "direction": pl.Series(["down", "up"]).gather((~down).astype(int)),
            "ml": ml,
            "bubbles": bubbles,
            "seconds": np.round(rng.uniform(20, 75, len(row))),
        }
    )


def technicians_table(workshop: Workshop, technicians: Staff, rng: np.random.Generator) -> pl.DataFrame:
    """The `technicians` table."""
    first_days = [
        first_day(workshop) - dt.timedelta(days=int(d)) for d in rng.integers(60, 4000, len(technicians.names))
    ]
    begins = {one.technician: month_start(workshop, one.month) for one in workshop.newcomers}
    first_days = [begins.get(name, day) for name, day in zip(technicians.names, first_days, strict=True)]
    shop = [workshop.shops[place] for place in technicians.shop]
    return pl.DataFrame({"technician": technicians.names, "started_on": first_days, "shop": shop}).sort("technician")


def coaching_table(workshop: Workshop) -> pl.DataFrame:
    """The `coaching` table; each session is on the last day of its month, so that later months are changed."""
    frame = pl.DataFrame(
        {
            "technician": [lesson.technician for lesson in workshop.lessons],
            "coached_on": [month_end(workshop, lesson.month) for lesson in workshop.lessons],
            "step": [lesson.step for lesson in workshop.lessons],
        },
        schema={"technician": pl.String, "coached_on": pl.Date, "step": pl.String},
    )
    return frame.sort("technician", "coached_on", "step")


def month_start(workshop: Workshop, month: int) -> dt.date:
    """First day of a month of the log (1 is the first)."""
    start = first_day(workshop)
    months = start.year * 12 + start.month - 1 + month - 1
    return dt.date(months // 12, months % 12 + 1, 1)


def month_end(workshop: Workshop, month: int) -> dt.date:
    """Last day of a month of the log (1 is the first)."""
    return month_start(workshop, month + 1) - dt.timedelta(days=1)


def date_times(minutes: IntArray) -> pl.Series:
    """Date-times from minutes since 1970."""
    return pl.Series((minutes * 60_000_000).astype(np.int64)).cast(pl.Datetime("us"))


def bike_ids(bikes: IntArray) -> pl.Series:
    """IDs of bikes from their numbers."""
    return pl.Series(bikes + 1).cast(pl.String).str.zfill(DIGITS - 1).str.replace("^", "B")


def _column_type(values: NDArray) -> pl.DataType:
    return pl.Boolean() if values.dtype == bool else pl.Float64()


def _schema_order(columns: list[str]) -> list[str]:
    """The columns in the order of the schema."""
    return [name for name in Sessions.to_schema().columns if name in columns]


def remove_unrecorded_returns(
    workshop: Workshop, sessions: pl.DataFrame, comebacks: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Remove unrecorded returns, and give the bleeds that repaired them an ordinary job reason."""
    for gap in workshop.returns_written:
        first = month_start(workshop, gap.first_month)
        last = month_end(workshop, gap.last_month) if gap.last_month else workshop.as_of
        here = sessions.filter(pl.col("shop") == gap.shop).select("bike_id").unique()
        day = pl.col("returned_at").dt.date()
        lost = comebacks.filter(~day.is_between(first, last)).join(here, on="bike_id", how="semi")
        comebacks = comebacks.join(lost, on="comeback_id", how="anti", maintain_order="left")
        is_recorded = pl.col("started_at").dt.date().is_between(first, last) | (pl.col("shop") != gap.shop)
        is_repair = pl.col("job_reason").is_in(["comeback", "soft_lever"])
        sessions = sessions.with_columns(
            job_reason=pl.when(is_repair & ~is_recorded).then(pl.lit("scheduled")).otherwise("job_reason")
        )
    return sessions, comebacks
