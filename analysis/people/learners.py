"""Learners: technicians who began within the log, compared bleed by bleed with experienced peers on the same work."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.people.peer_comparison import CONTEXT, RIDGE
from analysis.rates import covariate_patterns
from analysis.stats import (
    Dispersion,
    FloatArray,
    LearningLimits,
    between_variance,
    learning_limits,
    log_likelihood_increments,
    ratio_limits,
    reset_cusum,
    spread_posterior,
)
from schemas import empty, validate_table
from schemas.log import Technicians
from schemas.outputs import LearnerCurves, Learners, Rates

NEW_AFTER_DAYS = 60
"""Days of the log after which a first bleed is taken for somebody's start, where no first day is recorded; common practice,
no source."""
POOR_RATIO, ALPHA = 1.5, 0.05
"""Misses, as a multiple of experienced peers', that are not good enough; the chance of either error within 300 bleeds."""
LEVEL_STEP = 0.05
"""Of the log of the mean expected misses: a limit moves by less than its simulation error within a step."""
MIN_BLEEDS, MIN_PEERS, MIN_PEER_BLEEDS = 10, 2, 50
MIN_PEER_COUNT, LARGEST_SPREAD = 0.5, 0.5
"""Least count that the peers' level rests on; largest standard deviation of the log of peers' levels considered."""
RECENT_BLEEDS, EXAMPLES = 50, 3
COMEBACKS = {
    "comebacks": "comebacks",
    "expected": "expected_comebacks",
    "ratio_lo": "comebacks_lo",
    "ratio_hi": "comebacks_hi",
}


@dataclass(frozen=True, kw_only=True)
class LearnerResults:
    """Learners, and the CUSUM of each, bleed by bleed."""

    learners: DataFrame[Learners]
    learner_curves: DataFrame[LearnerCurves]


@dataclass(frozen=True)
class Misses:
    """Misses and those expected of experienced peers on the same work: bleeds × steps, NaN where not recorded.

    `dispersion` holds the within-technician variance of peers' misses per bleed, relative to their mean, and the precision
    of the peers' common level, which depends on how much they differ; `peer_count` is the Poisson count as precise as that
    level, averaged over how much they may differ.
    """

    missed: FloatArray = field(repr=False)
    expected: FloatArray = field(repr=False)
    dispersion: Dispersion
    peer_count: float


def learners(
    data: BleedData, technicians: DataFrame[Technicians], rates: DataFrame[Rates], rng: np.random.Generator
) -> LearnerResults:
    """Compare every technician who began within the log with experienced peers, from the first bleed on.

    Estimand: misses of recorded steps, divided by those that experienced technicians make on the same work. A
    learning-curve CUSUM adds up, bleed by bleed, the evidence that a learner misses no more than peers rather than half
    as many again. It starts from `not good enough`; a learner is cleared at a limit that somebody with half as many
    misses again would reach within 300 bleeds with a probability of 5%. A second CUSUM, in the other direction, shows who
    needs help: somebody as good as peers would reach its limit within 300 bleeds with a probability of 5%. It restarts at
    0 when a learner is cleared.

    Parameters
    ----------
    technicians
        First days, where recorded. For others, the first bleed, unless it is in the log's first 60 days.
    rates
        The comparison of comebacks, by technician.
    rng
        For the limits.
    """
    starts = _find_learners(data.bleeds, technicians)
    if starts.is_empty():
        return LearnerResults(learners=empty(Learners), learner_curves=empty(LearnerCurves))
    misses = expected_misses(data, starts.get_column("technician").to_list())
    rows, curves = [], [empty(LearnerCurves).clone()]
    comebacks = rates.filter(pl.col("kind") == "technician").select("group", *COMEBACKS).rename(COMEBACKS)
    limits = _limits_by_expected_misses(misses, rng)
    for start in starts.iter_rows(named=True):
        row, curve = _follow_learner(data, misses, start, limits)
        rows.append(row)
        curves += [] if curve is None else [curve]
    table = pl.DataFrame(rows, infer_schema_length=None).join(
        comebacks, left_on="technician", right_on="group", how="left"
    )
    absent = [
        pl.lit(None, kind).alias(name) for name, kind in empty(Learners).schema.items() if name not in table.columns
    ]
    table = table.with_columns(absent).select(empty(Learners).columns).cast(empty(Learners).schema)
    return LearnerResults(
        learners=validate_table(Learners, table.sort("technician")),
        learner_curves=validate_table(LearnerCurves, pl.concat(curves).sort("technician", "bleed_no")),
    )


def _find_learners(bleeds: pl.DataFrame, technicians: pl.DataFrame) -> pl.DataFrame:
    """technician, started_on and first_day_known of everybody who began within the log."""
    day = pl.col("started_at").dt.date()
    first = bleeds.group_by("technician").agg(first_bleed=day.min())
    if first.is_empty():
        return pl.DataFrame(schema={"technician": pl.String, "started_on": pl.Date, "first_day_known": pl.Boolean})
    log_start: dt.date = first.get_column("first_bleed").min()  # type: ignore[assignment]
    first_days = technicians.select("technician", "started_on").drop_nulls()
    joined = first.join(first_days, on="technician", how="left")
    recorded = pl.col("started_on").is_not_null()
    new = pl.col("first_bleed") > log_start + dt.timedelta(days=NEW_AFTER_DAYS)
    chosen = joined.filter(pl.when(recorded).then(pl.col("started_on") > log_start).otherwise(new))
    return chosen.select(
        "technician", started_on=pl.coalesce("started_on", "first_bleed"), first_day_known=recorded
    ).sort("technician")


def expected_misses(data: BleedData, novices: list[str]) -> Misses | None:
    """Misses of every bleed and those expected by its kind of work, from a line fitted to experienced technicians alone.

    None with fewer than two experienced technicians or 50 bleeds of theirs.
    """
    technician = data.bleeds.get_column("technician")
    experienced = ~technician.is_in(novices).to_numpy()
    if technician.filter(pl.Series(experienced)).n_unique() < MIN_PEERS or experienced.sum() < MIN_PEER_BLEEDS:
        return None
    patterns = covariate_patterns(data.bleeds, CONTEXT)
    x = np.column_stack([np.ones(len(patterns.x)), patterns.x])
    missed = data.missed.drop("session_id").cast(pl.Float64).fill_null(float("nan")).to_numpy()
    expected = np.full_like(missed, np.nan)
    for step, column in enumerate(missed.T):
        recorded = np.isfinite(column)
        rows = recorded & experienced
        trials = np.bincount(patterns.pattern_index[rows], minlength=len(x)).astype(float)
        hits = np.bincount(patterns.pattern_index[rows], column[rows], len(x))
        gram = (x.T * trials) @ x + RIDGE * np.diag([1e-6, *np.ones(x.shape[1] - 1)])
        least = 1 / (trials.sum() + 2)
        share = np.clip(x @ np.linalg.solve(gram, x.T @ hits), least, 1 - least)
        expected[recorded, step] = share[patterns.pattern_index[recorded]]
    peers = technician.filter(pl.Series(experienced))
    return Misses(missed, expected, *_estimate_dispersion(missed[experienced], expected[experienced], peers))


def _estimate_dispersion(missed: FloatArray, expected: FloatArray, technician: pl.Series) -> tuple[Dispersion, float]:
    """How misses in a bleed vary about each technician's own level, and technicians' levels about their mean; the count
    that their common level rests on.

    With few peers the variance between them is often estimated as 0; the count is averaged over what it may be.
    """
    frame = pl.DataFrame({"who": technician, "m": np.nansum(missed, axis=1), "e": np.nansum(expected, axis=1)})
    level = pl.col("e") * (pl.col("m").sum() / pl.col("e").sum()).over("who")
    frame = frame.filter(pl.col("e") > 0).with_columns(mean=level).filter(pl.col("mean") > 0)
    value = frame.select(((pl.col("m") - pl.col("mean")) ** 2 / pl.col("mean")).mean()).item()
    counts = max(float(value or 1.0), 0.5)
    people = frame.group_by("who").agg(pl.col("m", "e").sum()).sort("who").select("m", "e").to_numpy()
    variance = counts / np.maximum(people[:, 0], 0.5)
    levels = np.log(np.maximum(people[:, 0], 0.5) / people[:, 1])
    precision = float((1 / (between_variance(levels, variance) + variance)).sum())
    if not precision:  # no step recorded: nothing is known
        return Dispersion(counts, float("inf")), MIN_PEER_COUNT
    spread = spread_posterior(levels, variance, LARGEST_SPREAD)
    level_variance = spread.probability @ (1 / (1 / (spread.sd[:, None] ** 2 + variance)).sum(axis=1))
    return Dispersion(counts, precision**-0.5), max(1 / float(level_variance), MIN_PEER_COUNT)


def _limits_by_expected_misses(misses: Misses | None, rng: np.random.Generator) -> Callable[[float], LearningLimits]:
    """Limits by the mean of the expected misses, simulated once for means within 5% of each other."""
    seed = int(rng.integers(2**32))

    @cache
    def at_level(level: int) -> LearningLimits:
        own = np.random.default_rng([seed, level % 2**32])
        return learning_limits(np.exp(level * LEVEL_STEP), POOR_RATIO, misses.dispersion, ALPHA, own)  # type: ignore[union-attr]

    return lambda mean: at_level(round(np.log(mean) / LEVEL_STEP))


def _follow_learner(
    data: BleedData, misses: Misses | None, start: dict[str, Any], limits_at: Callable[[float], LearningLimits]
) -> tuple[dict[str, Any], pl.DataFrame | None]:
    """One learner's row, and the curve if there are peers and enough bleeds."""
    bleeds = data.bleeds.with_row_index("place").filter(technician=start["technician"]).sort("started_at", "session_id")
    bleeds = bleeds.filter(
        pl.col("started_at").dt.date() >= min(start["started_on"], bleeds["started_at"].dt.date().min())
    )
    row = start | {"bleeds": bleeds.height, "verdict": "too_few"}
    if misses is None:
        return row, None
    places = bleeds.get_column("place").to_numpy()
    places = places[np.nansum(misses.expected[places], axis=1) > 0]
    missed, expected = misses.missed[places], misses.expected[places]
    totals = np.nansum(missed, axis=1), np.nansum(expected, axis=1)
    row |= _share_columns(missed, totals, misses)
    if len(places) < MIN_BLEEDS:
        return row, None
    limits = limits_at(float(totals[1].mean()))
    curve = _cusum_curve(data.bleeds[places], totals, misses.dispersion.counts, limits)
    cleared = curve.filter(pl.col("cusum") >= pl.col("cusum_limit")).head(1)
    if cleared.height:
        row |= {"cleared_after": cleared["bleed_no"].item(), "cleared_on": cleared["bled_on"].item()}
    poor = bool(curve["help_cusum"][-1] >= limits.needs_help)
    row |= {"verdict": "needs_help" if poor else "cleared" if cleared.height else "not_yet"}
    row |= {"usual_bleeds": limits.median_entries, "most_bleeds": limits.most_entries}
    return row | _worst_step(data, places, missed, expected), curve


def _share_columns(missed: FloatArray, totals: tuple[FloatArray, FloatArray], misses: Misses) -> dict[str, Any]:
    hits, expected, recorded = float(totals[0].sum()), float(totals[1].sum()), int(np.isfinite(missed).sum())
    if not recorded:
        return {}
    recent = [float(part[-RECENT_BLEEDS:].sum()) for part in totals]
    counts = misses.dispersion.counts
    limits, recent_limits = (
        ratio_limits(own / counts, by_peers / counts, misses.peer_count) for own, by_peers in ((hits, expected), recent)
    )
    return {
        "recorded": recorded,
        "missed": int(hits),
        "share_missed": hits / recorded,
        "peer_share": expected / recorded,
        "ratio": hits / expected,
        "ratio_lo": float(limits.lo),
        "ratio_hi": float(limits.hi),
        "recent_ratio": recent[0] / recent[1],
        "recent_lo": float(recent_limits.lo),
        "recent_hi": float(recent_limits.hi),
    }


def _cusum_curve(
    bleeds: pl.DataFrame, totals: tuple[FloatArray, FloatArray], dispersion: float, limits: LearningLimits
) -> pl.DataFrame:
    """Both CUSUMs; that for help is held at twice its limit, and starts again when the learner is cleared."""
    steps = log_likelihood_increments(*totals, POOR_RATIO, dispersion)
    cusum = reset_cusum(steps)
    cleared = np.flatnonzero(cusum >= limits.competent)
    turn = int(cleared[0]) + 1 if len(cleared) else len(steps)
    alarm = [reset_cusum(-part, 2 * limits.needs_help) for part in (steps[:turn], steps[turn:])]
    frame = bleeds.select("technician", "session_id", bled_on=pl.col("started_at").dt.date()).with_columns(
        bleed_no=pl.int_range(1, pl.len() + 1),
        missed=pl.Series(totals[0]),
        expected=pl.Series(totals[1]),
        cusum=pl.Series(cusum),
        cusum_limit=pl.lit(limits.competent),
        help_cusum=pl.Series(np.concatenate(alarm)),
        help_limit=pl.lit(limits.needs_help),
    )
    return frame.select(empty(LearnerCurves).columns).cast(empty(LearnerCurves).schema)


def _worst_step(data: BleedData, places: NDArray[np.int64], missed: FloatArray, expected: FloatArray) -> dict[str, Any]:
    """The step missed most beyond peers in the last bleeds, with recent bleeds that missed it; nothing if there is none."""
    recent = slice(-RECENT_BLEEDS, None)
    excess = np.nansum(missed[recent], axis=0) - np.nansum(expected[recent], axis=0)
    step = int(excess.argmax())
    if excess[step] <= 0:
        return {}
    own, rows = missed[recent][:, step], places[recent]
    examples = data.bleeds[rows[own == 1][-EXAMPLES:]].get_column("session_id").reverse()
    return {
        "step": data.missed.columns[1 + step],
        "step_missed": int(np.nansum(own)),
        "step_recorded": int(np.isfinite(own).sum()),
        "step_peer_share": float(np.nanmean(expected[recent][:, step])),
        "example_sessions": " ".join(examples),
    }
