"""Better or worse, and since when: the months table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.monitoring.change_point import ChangePoint, locate_change
from analysis.monitoring.control import ControlCharts, control_charts
from analysis.monitoring.monthly_counts import monthly_counts
from analysis.monitoring.null_model import MonthlySeries, NullModel, fit_null_model, fit_pooled_null_models
from analysis.stats import benjamini_hochberg, holm, normal_tail, sum_by_level
from schemas import empty, validate_table
from schemas.outputs import Months

FloatArray = NDArray[np.float64]
MIN_MONTHS, MIN_COMEBACKS = 6, 10
FALSE_SIGNAL, FALSE_CHANGE = 0.08, 0.05
"""Of logs in which nothing changes: those with any signal on any chart, and those with any change named."""
STEP_Q = 0.05
CHARTED = ("centre", "lower", "upper", "cusum_up", "cusum_down", "cusum_limit", "cusum_limit_down")


@dataclass(frozen=True)
class _Watched:
    """One group's followed months, the model of no change, its charts and its most likely change."""

    labels: pl.Series
    null: NullModel
    charts: ControlCharts
    change: ChangePoint


def monthly_rates(data: BleedData, risk: FloatArray, rng: np.random.Generator) -> DataFrame[Months]:
    """Every group's months: rate, limits, CUSUM, and the month a change began.

    All is held against months in which nothing changes: the same work, from 18 months on the same yearly season, and
    months that differ by as much as these do. Limits are set so that of logs without a change 8 in 100 have a signal on
    any chart, in either direction; a change is named where Holm's adjusted p-value over the charts is at most 0.05.
    Months whose bleeds are not all old enough raise no signal, nor do shops whose recording of returns is in question, and
    all bleeds together while there is one.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    risk
        Each bleed's expected risk from the work alone, in the order of `prepared.bleeds`.
    rng
        For draws of the null.
    """
    bleeds = data.bleeds.select(
        *("session_id", "started_at", "month", "mature"),
        pl.col("shop").fill_null("not recorded"),
        old=pl.col("age_days") >= data.window_days,
        risk=np.clip(risk, 1e-6, 1 - 1e-6),
        all=pl.lit("all"),
    )
    groups = dict(monthly_counts(data).group_by("kind", "group", maintain_order=True))
    asked = {"all", *data.in_question} if data.in_question else set()
    followed = {key: _followed(own, bleeds.filter(_of(key))) for key, own in groups.items() if key[1] not in asked}
    watched = {} if data.small_sample else _watched_all(followed, rng)
    p_values = holm([one.change.p_value for one in watched.values()])
    changed = {key for key, p in zip(watched, p_values, strict=True) if p <= FALSE_CHANGE}
    if len(groups) == 2 and watched:  # one shop: all bleeds are its bleeds
        (only,) = watched
        watched, changed = dict.fromkeys(groups, watched[only]), set(groups) if changed else set()
    tables = []
    for key, own in groups.items():
        table = _charted(own, watched.get(key), "in_question" if key[1] in asked else "too_few")
        if key in changed:
            in_group = bleeds.select(_of(key)).to_series()
            table = _with_change(table, watched[key], bleeds.filter(in_group), data.missed.filter(in_group))
        tables.append(table.select(empty(Months).columns).cast(empty(Months).schema))
    return validate_table(Months, pl.concat(tables).sort("kind", "group", "month") if tables else empty(Months))


Key = tuple[object, ...]


def _of(key: Key) -> pl.Expr:
    """The bleeds of a group: its kind is the column that names it."""
    return pl.col(str(key[0])).eq(pl.lit(key[1]))


def _watched_all(followed: dict[Key, pl.DataFrame], rng: np.random.Generator) -> dict[Key, _Watched]:
    """Groups with enough months and comebacks; of a single shop only all bleeds. Shops share one spread of months."""
    enough = [key for key, own in followed.items() if _enough(own)][: 1 if len(followed) == 2 else None]
    series = {key: _series(followed[key]) for key in enough}
    shops = [key for key in enough if key[0] == "shop"]
    nulls = dict(zip(shops, fit_pooled_null_models([series[key] for key in shops], rng), strict=True)) if shops else {}
    nulls |= {key: fit_null_model(series[key], rng) for key in enough if key not in nulls}
    chance = FALSE_SIGNAL / max(len(enough), 1)
    return {
        key: _Watched(
            followed[key].get_column("month"), nulls[key], control_charts(nulls[key], chance), locate_change(nulls[key])
        )
        for key in enough
    }


def _followed(rows: pl.DataFrame, bleeds: pl.DataFrame) -> pl.DataFrame:
    """Months whose bleeds are all old enough and of which some were followed, with comebacks expected and the place in the
    calendar. Bleeds outside the time in which returns were recorded do not count."""
    old = bleeds.group_by("month").agg(old=pl.col("old").all())
    counted = np.where(bleeds.get_column("mature").to_numpy(), bleeds.get_column("risk").to_numpy(), 0.0)
    expected = sum_by_level(bleeds.get_column("month"), counted).rename({"sum": "expected"})
    table = rows.join(old, on="month", how="left").join(expected, on="month", how="left").sort("month")
    year, month = (pl.col("month").str.slice(at, many).cast(pl.Int64) for at, many in ((0, 4), (5, 2)))
    return table.filter(pl.col("old"), pl.col("mature") > 0).with_columns(place=12 * year + month)


def _enough(followed: pl.DataFrame) -> bool:
    return followed.height >= MIN_MONTHS and int(followed.get_column("comebacks").sum()) >= MIN_COMEBACKS


def _series(followed: pl.DataFrame) -> MonthlySeries:
    counts = (followed.get_column(name).to_numpy().astype(float) for name in ("comebacks", "mature", "expected"))
    return MonthlySeries(followed.get_column("place").to_numpy(), *counts)


def _charted(rows: pl.DataFrame, watched: _Watched | None, why_not: str) -> pl.DataFrame:
    """A group's months with their charts, empty where it is not watched, and why it is not."""
    blank = rows.with_columns(change_began=pl.lit(False), step_moved=pl.lit(None, pl.String))
    if watched is None:
        absent = [pl.lit(None, pl.Float64).alias(name) for name in CHARTED]
        return blank.with_columns(*absent, signal=pl.lit(why_not))
    charts, series = watched.charts, watched.null.series
    share, limits = series.observed / series.bleeds, charts.limits
    high = (share > limits.upper) | (charts.up > charts.up_limit)
    low = (share < limits.lower) | (charts.down > charts.down_limit)
    columns = (limits.centre, limits.lower, limits.upper, charts.up, charts.down)
    found = pl.DataFrame(
        {
            "month": watched.labels,
            **dict(zip(CHARTED, columns, strict=False)),
            "signal": np.where(high, "high", np.where(low, "low", "none")),
        }
    ).with_columns(cusum_limit=pl.lit(charts.up_limit), cusum_limit_down=pl.lit(charts.down_limit))
    return blank.join(found, on="month", how="left").with_columns(pl.col("signal").fill_null("too_few"))


def _with_change(table: pl.DataFrame, watched: _Watched, bleeds: pl.DataFrame, missed: pl.DataFrame) -> pl.DataFrame:
    month = watched.labels[watched.change.index]
    moved = changed_step(bleeds, missed, month, worse=watched.change.ratio > 1)
    began = pl.col("month") == month
    return table.with_columns(change_began=began, step_moved=pl.when(began).then(pl.lit(moved, pl.String)))


def changed_step(bleeds: pl.DataFrame, missed: pl.DataFrame, month: str, *, worse: bool) -> str | None:
    """The step whose missed share moved most with a change, the same way and beyond chance; None where none did.

    A two-sample z-test of each step's share before and from that month on, Benjamini-Hochberg over the steps.
    """
    after = bleeds.get_column("month") >= month
    z = []
    for step in missed.columns[1:]:
        parts = [missed.get_column(step).filter(side).drop_nulls() for side in (~after, after)]
        n0, n1 = len(parts[0]), len(parts[1])
        if min(n0, n1) < 10:
            z.append(0.0)
            continue
        p0, p1 = (float(part.mean() or 0.0) for part in parts)  # type: ignore[arg-type]
        p = (p0 * n0 + p1 * n1) / (n0 + n1)
        sd = np.sqrt(p * (1 - p) * (1 / n0 + 1 / n1))
        z.append((p1 - p0) / sd if sd > 0 else 0.0)
    if not z:
        return None
    leaning = np.array(z) if worse else -np.array(z)
    q = benjamini_hochberg(normal_tail(leaning))
    best = int(leaning.argmax())
    return missed.columns[1 + best] if q[best] <= STEP_Q else None
