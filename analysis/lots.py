"""Lots, kits and other groups: which have clearly more comebacks, the bleeds of those, and wear with age."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.errors import UserError
from analysis.intake import Log
from analysis.rates import chance_limits, gamma_poisson
from analysis.stats import (
    Z95,
    FloatArray,
    benjamini_hochberg,
    cluster_design_effect,
    conditional_mid_p,
    normal_tail,
    ratio_limits,
    sum_within_clusters,
    wilson,
)
from analysis.steps import Design, air_score
from analysis.survival import AddedColumnScores, SurvivalModel, score_added_columns
from schemas import empty, validate_table
from schemas.outputs import LotBleeds, Lots

LOT_FIELDS = ("fluid_lot", "kit_id", "hose_lot")
MIN_EXPECTED, MIN_BLEEDS, MIN_READINGS, SIGNAL_Q = 2.0, 10, 30, 0.05
READING_RIDGE = 1e-2
MAX_OWN_SHARE = 0.9
"""Of a group's fitted count: above it, the model's other columns already stand for the group; nothing is left to compare."""
MAX_GROUPS = 300
"""Groups of a kind that are compared, those with most bleeds; a column with more is an ID of something, not a lot."""
MIN_AIR_RATIO, PREDICTS_Z = 1.2, 1.645
"""Hazard ratio from which a difference of readings is worth looking at (common practice, no source); z from which readings
predict comebacks."""
DAYS_OF_AGE = 100
MAX_LOG_RATIO = 20.0


@dataclass(frozen=True, kw_only=True)
class LotResults:
    """The groups, and the bleeds of those that clearly have more comebacks or worse readings."""

    lots: DataFrame[Lots]
    lot_bleeds: DataFrame[LotBleeds]


@dataclass(frozen=True)
class FittedReturns:
    """The bleeds that the time-to-return model was fitted to, its design matrix and the model."""

    data: BleedData
    design: Design = field(repr=False)
    model: SurvivalModel = field(repr=False)


def group_columns(log: Log, groups: Sequence[str] = ()) -> tuple[str, ...]:
    """Columns whose groups are compared: lots and kits where recorded, custom columns marked as groups, and `groups`.

    Raises
    ------
    UserError
        The bleeds have no column of that name.
    """
    flagged = [own.name for own in log.own_fields if own.table == "sessions" and own.group]
    requested = [name if name in log.sessions.columns else f"own.{name}" for name in groups]
    for name, sought in zip(requested, groups, strict=True):
        if name not in log.sessions.columns:
            own = [one.removeprefix("own.") for one in log.sessions.columns if one.startswith("own.")]
            expected = ", ".join(["a field of the log", *own])
            raise UserError("groups", f"the bleeds have no column {sought!r}", expected, "correct the name, or the map")
    names = dict.fromkeys([*LOT_FIELDS, *flagged, *requested])
    return tuple(name for name in names if name in log.sessions.columns and log.sessions.get_column(name).count())


def lots(data: BleedData, columns: Sequence[str], fitted: FittedReturns | None) -> LotResults:
    """Compare the bleeds of each lot, kit or other group with all others.

    Estimand: comebacks so far among a group's bleeds, divided by those expected without the group: same work, missed
    steps, technician, workshop and time, each bleed followed for as long.

    - `expected` and its precision come from the score test of the group in the return model of the steps (D. R. Cox &
      D. V. Hinkley 1974, Theoretical Statistics, sect. 9.3). Counts are divided by the design effect of bikes. Limits and
      p-values are conditional on the sum of both counts (J. Przyborowski & H. Wilenski 1940, Biometrika 31:313-323).
    - `air_ratio`: where stand readings predict comebacks, the mean air score after the group's bleeds is compared as
      well, with the same adjustment and errors clustered by bike, and expressed as a hazard ratio. On readings alone, a
      group is flagged only at a ratio of 1.2 or more.
    - Tests are one-sided, because only a worse group calls for action; Benjamini-Hochberg over both comparisons of all
      groups of all columns, and the two-sided test of each column's change with age.
    - `age_ratio` is the hazard ratio per 100 days since the group's first bleed, all else equal. The row without a group
      name is for all groups together, adjusted for the level of each.

    Parameters
    ----------
    data
        All accepted bleeds; the counts are of these.
    columns
        `group_columns` of the log.
    fitted
        The time-to-return model; None with too few comebacks: then nothing is compared.
    """
    parts = [_compare_kind(data, column, fitted) for column in columns]
    table = pl.concat([empty(Lots), *parts])
    tested = [table.get_column(name).fill_null(np.nan).to_numpy() for name in ("p_value", "air_p_value")]
    q_values = np.split(benjamini_hochberg(np.concatenate([*tested, _age_p_values(table)])), 3)
    names = ("q_value", "air_q_value", "age_q_value")
    table = table.with_columns(pl.Series(name, q).fill_nan(None) for name, q in zip(names, q_values, strict=True))
    by_air = (pl.col("air_q_value") <= SIGNAL_Q) & (pl.col("air_ratio") >= MIN_AIR_RATIO)
    differs = ((pl.col("q_value") <= SIGNAL_Q).fill_null(False)) | by_air.fill_null(False)
    signal = pl.when(differs).then(pl.lit("high")).when(pl.col("p_value").is_null()).then(pl.lit("too_few"))
    table = table.with_columns(signal=signal.otherwise(pl.lit("none"))).sort("kind", "group")
    differing = table.filter(pl.col("signal") == "high")
    return LotResults(lots=validate_table(Lots, table), lot_bleeds=_select_differing_bleeds(data, differing))


def _compare_kind(data: BleedData, column: str, fitted: FittedReturns | None) -> pl.DataFrame:
    """One column's groups, and all of them together, without q-values and signals."""
    bleeds = data.bleeds.with_columns(group=pl.col(column).cast(pl.String)).filter(pl.col("group").is_not_null())
    groups, whole = _count_by_group(bleeds), _count_by_group(bleeds.with_columns(group=pl.lit(None, pl.String)))
    compared = groups.sort("sessions", "group", descending=[True, False]).head(MAX_GROUPS).get_column("group").sort()
    result = pl.concat([groups, whole])
    if fitted is not None:
        result = result.join(_compare_groups(fitted, column, compared), on="group", how="left", nulls_equal=True)
    absent = [pl.lit(None, kind).alias(name) for name, kind in empty(Lots).schema.items() if name not in result.columns]
    return (
        result.with_columns(absent)
        .with_columns(kind=pl.lit(column))
        .select(empty(Lots).columns)
        .cast(empty(Lots).schema)
    )


def _count_by_group(bleeds: pl.DataFrame) -> pl.DataFrame:
    day, back = pl.col("started_at").dt.date(), pl.col("mature") & pl.col("came_back")
    table = (
        bleeds.group_by("group")
        .agg(
            first_used=day.min(),
            last_used=day.max(),
            shops=pl.col("shop").drop_nulls().unique().sort().str.join(", "),
            sessions=pl.len().cast(pl.Int64),
            mature=pl.col("mature").sum().cast(pl.Int64),
            comebacks=back.sum().cast(pl.Int64),
            returned=pl.col("return_days").count().cast(pl.Int64),
        )
        .sort("group")
    )
    limits = wilson(table.get_column("comebacks"), table.get_column("mature"))
    return table.with_columns(
        days_in_use=(pl.col("last_used") - pl.col("first_used")).dt.total_days() + 1,
        rate=(pl.col("comebacks") / pl.col("mature")).fill_nan(None),
        rate_lo=pl.Series(limits.lo).fill_nan(None),
        rate_hi=pl.Series(limits.hi).fill_nan(None),
    )


def _compare_groups(fitted: FittedReturns, column: str, names: pl.Series) -> pl.DataFrame:
    """Expected comebacks, ratio with limits, p-value and change by age of each group with enough bleeds."""
    bleeds = fitted.data.bleeds
    value = bleeds.get_column(column).cast(pl.String)
    members = np.column_stack([(value == name).fill_null(False).to_numpy() for name in names]).astype(float)
    age = _centred_group_age_100_days(bleeds, value) * members.sum(axis=1)
    time, event = bleeds.get_column("days_at_risk").to_numpy(), bleeds.get_column("end").eq("return").to_numpy()
    added = np.column_stack([members, members * age[:, None], age])
    scored = score_added_columns(fitted.model, fitted.design.x, added, time, event)
    size = len(names)
    effect = _design_effect(scored.residual, members, fitted.design.bike) * fitted.model.standard_error_factor**2
    table = _observed_over_expected(scored, members, event, effect)
    own = [_age_hazard_ratio(scored.select([group, size + group]), 1, effect) for group in range(size)]
    every = _age_hazard_ratio(scored.select([*range(size), 2 * size]), size, effect)
    ages = pl.DataFrame(own, schema=["age_ratio", "age_lo", "age_hi"], orient="row").with_columns(group=names)
    whole = pl.DataFrame([every], schema=["age_ratio", "age_lo", "age_hi"], orient="row").with_columns(
        group=pl.lit(None, pl.String)
    )
    table = (
        table.hstack(_air_ratio_columns(fitted, members)).with_columns(group=names).join(ages, on="group", how="left")
    )
    return pl.concat([table, whole], how="diagonal")


def _centred_group_age_100_days(bleeds: pl.DataFrame, value: pl.Series) -> FloatArray:
    """Hundreds of days since the group's first bleed, less the mean over its bleeds."""
    day = pl.col("started_at").dt.date().cast(pl.Int32)
    frame = bleeds.select(day=day).with_columns(group=value)
    centred = frame.select((pl.col("day") - pl.col("day").mean().over("group")) / DAYS_OF_AGE)
    return centred.to_series().fill_null(0.0).to_numpy().astype(float)


def _observed_over_expected(
    scored: AddedColumnScores, members: FloatArray, event: NDArray[np.bool_], effect: float
) -> pl.DataFrame:
    """Each group's expected count as if it had not entered the fit, and the exact comparison with it.

    If the group's own bleeds determine a share h of its fitted count E, its expected count without them is
    (E − hO) / (1 − h), and is as precise as a count of expected × (1 − h) / h. With one kind of work, this is the
    comparison of two groups' counts. Counts are divided by `effect`: the design effect of bikes, times the correction for
    a model with many columns for its comebacks.
    """
    size = members.shape[1]
    observed = event.astype(float) @ members
    fitted = observed - scored.score[:size]
    own_share = np.clip(1 - np.diag(scored.information)[:size] / np.maximum(fitted, 1e-9), 1e-6, 1 - 1e-6)
    expected = (fitted - own_share * observed) / (1 - own_share)
    enough = (expected >= MIN_EXPECTED) & (members.sum(axis=0) >= MIN_BLEEDS) & (own_share <= MAX_OWN_SHARE)
    columns = {
        name: np.full(size, np.nan)
        for name in ("ratio", "ratio_lo", "ratio_hi", "funnel_lo", "funnel_hi", "shrunk_ratio", "p_value")
    }
    columns["expected"] = np.where(expected > 0, expected, np.nan)
    if enough.any():
        o, e = observed[enough] / effect, expected[enough] / effect
        reference = e * (1 - own_share[enough]) / own_share[enough]
        limits = ratio_limits(o, e, reference)
        discount = 1 / (1 + e / reference)
        columns["ratio"][enough], columns["ratio_lo"][enough], columns["ratio_hi"][enough] = o / e, limits.lo, limits.hi
        columns["funnel_lo"][enough], columns["funnel_hi"][enough] = chance_limits(e, reference=reference)
        columns["shrunk_ratio"][enough] = gamma_poisson(o * discount, e * discount).ratio
        columns["p_value"][enough] = conditional_mid_p(o, e, reference)[1]
    return pl.DataFrame({name: pl.Series(values).fill_nan(None) for name, values in columns.items()})


def _air_ratio_columns(fitted: FittedReturns, members: FloatArray) -> pl.DataFrame:
    """Hazard ratio implied by the air score of each group's bleeds, and its one-sided p-value.

    The air score is regressed on the model's columns and its residuals are averaged within groups. That regression
    absorbs part of each group's difference, so the mean is divided by the share that is left.
    """
    columns = {name: np.full(members.shape[1], np.nan) for name in ("air_ratio", "air_lo", "air_hi", "air_p_value")}
    score = air_score(fitted.data.bleeds)
    if score is not None:
        x = np.column_stack([np.ones(len(score)), fitted.design.x])
        inverse = np.linalg.inv(x.T @ x + np.diag([0.0, *np.full(x.shape[1] - 1, READING_RIDGE)]))
        residual = score - x @ (inverse @ (x.T @ score))
        slope, slope_error = _air_score_slope(fitted, score)
        if slope > PREDICTS_Z * slope_error:
            own = members - x @ (inverse @ (x.T @ members))
            information = (own**2).sum(axis=0)
            by_bike = sum_within_clusters(own * residual[:, None], fitted.design.bike)
            own_part = information / np.maximum(members.sum(axis=0), 1)
            enough = (members.sum(axis=0) >= MIN_READINGS) & (own_part >= 1 - MAX_OWN_SHARE)
            shift = (own * residual[:, None]).sum(axis=0)[enough] / information[enough]
            error = np.sqrt((by_bike**2).sum(axis=0)[enough]) / information[enough]
            columns["air_p_value"][enough] = normal_tail(shift / error)
            spread = np.sqrt((slope * error) ** 2 + (shift * slope_error) ** 2)
            for name, z in (("air_ratio", 0.0), ("air_lo", -Z95), ("air_hi", Z95)):
                columns[name][enough] = np.exp(np.clip(slope * shift + z * spread, -MAX_LOG_RATIO, MAX_LOG_RATIO))
    return pl.DataFrame({name: pl.Series(values).fill_nan(None) for name, values in columns.items()})


def _air_score_slope(fitted: FittedReturns, score: FloatArray) -> tuple[float, float]:
    """Log hazard ratio of the air score in the model of returns, and its standard error."""
    bleeds = fitted.data.bleeds
    time, event = bleeds.get_column("days_at_risk").to_numpy(), bleeds.get_column("end").eq("return").to_numpy()
    return score_added_columns(fitted.model, fitted.design.x, score[:, None], time, event).one_step(0)


def _design_effect(residual: FloatArray, members: FloatArray, bike: NDArray[np.int64]) -> float:
    """Design effect of clustering by bike within groups, at least 1."""
    rows = np.flatnonzero(members.sum(axis=1))
    return cluster_design_effect(residual[rows], bike[rows] * members.shape[1] + members[rows].argmax(axis=1))


def _age_p_values(table: pl.DataFrame) -> FloatArray:
    """Two-sided p-value of the change with age over all groups of each column; NaN in the rows of single groups."""
    whole = pl.when(pl.col("group").is_null())
    z = pl.col("age_ratio").log() * 2 * Z95 / (pl.col("age_hi") / pl.col("age_lo")).log()
    return 2 * normal_tail(table.select(whole.then(z.abs()).fill_null(np.nan)).to_series().to_numpy())


def _age_hazard_ratio(
    scored: AddedColumnScores, column: int, effect: float
) -> tuple[float | None, float | None, float | None]:
    """Hazard ratio with limits; the variance is multiplied by `effect`, as counts are divided by it."""
    log_ratio, error = scored.one_step(column)
    error *= effect**0.5
    if not np.isfinite(error) or abs(log_ratio) + Z95 * error > MAX_LOG_RATIO:
        return None, None, None
    low, middle, high = np.exp([log_ratio - Z95 * error, log_ratio, log_ratio + Z95 * error])
    return float(middle), float(low), float(high)


def _select_differing_bleeds(data: BleedData, differing: pl.DataFrame) -> DataFrame[LotBleeds]:
    """The bleeds of the groups that clearly have more comebacks or worse readings."""
    day = pl.col("started_at").dt.date()
    parts: list[pl.DataFrame] = [empty(LotBleeds)]
    bleeds = data.bleeds.with_columns(latest=day == day.max().over("bike_id", "brake"), bled_on=day)
    for kind, group in differing.select("kind", "group").iter_rows():
        own = bleeds.filter(pl.col(kind).cast(pl.String) == group)
        own = own.with_columns(kind=pl.lit(kind), group=pl.lit(group), came_back_after="return_days")
        parts.append(own.select(empty(LotBleeds).columns).cast(empty(LotBleeds).schema))
    return validate_table(LotBleeds, pl.concat(parts).sort("kind", "group", "session_id"))
