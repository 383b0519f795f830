"""The months table: rates by month and shop with control charts, change points and the step that changed with them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.monitoring.control_charts import ChangePoint, ControlCharts, control_charts, locate_change
from analysis.monitoring.null_model import (
    MonthlySeries,
    NullModel,
    fit_null_model,
    fit_null_models_with_shared_variance,
)
from analysis.stats import (
    MAX_LEVELS,
    FloatArray,
    benjamini_hochberg,
    holm,
    normal_tail,
    pearson_dispersion,
    student_tail,
    sum_by_level,
)
from schemas import empty, validate_table
from schemas.outputs import Months

Group = tuple[object, ...]
"""A kind (`all`, `shop`), and the name of a group of it."""
MIN_CHART_MONTHS, MIN_CHART_COMEBACKS = 6, 10
SIGNAL_ALPHA, CHANGE_ALPHA = 0.08, 0.05
"""Probability that a log without any change has a signal on any chart, and that it has any change point."""
STEP_Q = 0.05
MIN_STEP_RECORDS = 10
CHART_COLUMNS = ("centre", "lower", "upper", "cusum_up", "cusum_down", "cusum_limit", "cusum_limit_down")


@dataclass(frozen=True)
class _Monitored:
    """A group's fully followed months, with the null model, control charts and change point of their series."""

    months: pl.Series
    null: NullModel
    charts: ControlCharts
    change: ChangePoint


def monthly_rates(data: BleedData, risk: FloatArray, rng: np.random.Generator) -> DataFrame[Months]:
    """Comeback rates of every group by month, with control charts and change points.

    The null model has the same case mix, the same yearly season (from 18 months on) and the same variance between
    months as the log. Control limits hold the probability of any signal on any chart, in a log without a change, at 8%;
    a change point is reported if its p-value, adjusted by Holm's method over the groups, is at most 0.05. Months in
    which not all bleeds are older than the window raise no signal; nor do shops whose recording of returns is in
    question, nor all bleeds together while any shop's is. `risk` is each bleed's expected risk given the case mix, in
    the order of `data.bleeds`; `rng` draws from the null models.
    """
    bleeds = data.bleeds.select(
        *("session_id", "started_at", "month", "mature"),
        pl.col("shop").fill_null("not recorded"),
        old_enough=pl.col("age_days") >= data.window_days,
        risk=np.clip(risk, 1e-6, 1 - 1e-6),
        all=pl.lit("all"),
    )
    counts = dict(monthly_counts(data).group_by("kind", "group", maintain_order=True))
    in_question = {("shop", shop) for shop in data.in_question} | ({("all", "all")} if data.in_question else set())
    followed = {
        group: _followed_months(rows, bleeds.filter(_is_in_group(group)))
        for group, rows in counts.items()
        if group not in in_question
    }
    monitored = {} if data.small_sample else _monitor_groups(followed, rng)
    p_values = holm([group.change.p_value for group in monitored.values()])
    changed = {group: float(p) for group, p in zip(monitored, p_values, strict=True) if p <= CHANGE_ALPHA}
    if len(counts) == 2 and monitored:  # with one shop, all bleeds are that shop's bleeds
        (only,) = monitored
        monitored = dict.fromkeys(counts, monitored[only])
        changed = dict.fromkeys(counts, changed[only]) if changed else {}
    tables = []
    for group, rows in counts.items():
        table = _add_chart_columns(rows, monitored.get(group), "in_question" if group in in_question else "too_few")
        if group in changed:
            mask = bleeds.select(_is_in_group(group)).to_series()
            table = _add_change_point(table, monitored[group], bleeds.filter(mask), data.missed.filter(mask))
            table = table.with_columns(change_p_value=pl.when("change_began").then(pl.lit(changed[group])))
        tables.append(table.select(empty(Months).columns).cast(empty(Months).schema))
    return validate_table(Months, pl.concat(tables).sort("kind", "group", "month") if tables else empty(Months))


def monthly_counts(data: BleedData) -> pl.DataFrame:
    """One row per group and month: all bleeds, then each shop (of more than 300, those with most bleeds); every month
    from the log's first to its last.

    Columns: kind (`all`, `shop`), group, month (YYYY-MM of started_at), sessions, mature, comebacks (of the mature),
    rate (empty without mature bleeds); sorted by kind, group, month.
    """
    bleeds = data.bleeds
    by_shop = bleeds.group_by("month", shop=pl.col("shop").fill_null("not recorded")).agg(
        sessions=pl.len().cast(pl.Int64),
        mature=pl.col("mature").sum().cast(pl.Int64),
        comebacks=(pl.col("came_back") & pl.col("mature")).sum().cast(pl.Int64),
    )
    tables = [_counts_by_group(by_shop, "all", pl.lit("all"))]
    if bleeds.is_empty():
        return tables[0]
    if bleeds.get_column("shop").count():
        tables.append(_counts_by_group(by_shop.filter(_is_among_largest_shops(by_shop)), "shop", pl.col("shop")))
    first, last = bleeds.get_column("started_at").min(), bleeds.get_column("started_at").max()
    months = pl.select(
        month=pl.date_range(pl.lit(first).dt.truncate("1mo").cast(pl.Date), pl.lit(last).cast(pl.Date), interval="1mo")
    ).select(pl.col("month").dt.strftime("%Y-%m"))
    counts = pl.concat(tables)
    every_month = counts.select("kind", "group").unique().join(months, how="cross")
    table = every_month.join(counts, on=("kind", "group", "month"), how="left").with_columns(
        pl.col("sessions", "mature", "comebacks").fill_null(0)
    )
    return table.sort("kind", "group", "month")


def changed_step(bleeds: pl.DataFrame, missed: pl.DataFrame, month: str, *, worse: bool) -> str | None:
    """The step whose missed share changed most clearly, in the same direction as the rate; None if none did.

    Two-sample z-test of each step's missed share before the month and from it on; where months vary more than binomial
    shares within both periods, at least t(months - 2) of z over the root of their dispersion. Benjamini-Hochberg over the
    steps.
    """
    months, steps = bleeds.get_column("month"), missed.columns[1:]
    p = np.array([_change_p_value(months, missed.get_column(step), month, worse=worse) for step in steps])
    if not len(p):
        return None
    clearest = int(p.argmin())
    return steps[clearest] if benjamini_hochberg(p)[clearest] <= STEP_Q else None


def _change_p_value(months: pl.Series, missed: pl.Series, month: str, *, worse: bool) -> float:
    """One-sided p-value of the missed share since the month against before; 1 with fewer than 10 records on a side."""
    counts = (
        pl.DataFrame({"month": months, "missed": missed})
        .drop_nulls()
        .group_by("month")
        .agg(k=pl.col("missed").sum().cast(pl.Float64), n=pl.len().cast(pl.Float64))
        .sort("month")
    )
    k, n, since = (counts.get_column(name).to_numpy() for name in ("k", "n", "month"))
    since = since >= month
    n0, n1 = n[~since].sum(), n[since].sum()
    share = k.sum() / max(n.sum(), 1.0)
    if min(n0, n1) < MIN_STEP_RECORDS or not 0 < share < 1:
        return 1.0
    z = (k[since].sum() / n1 - k[~since].sum() / n0) / np.sqrt(share * (1 - share) * (1 / n0 + 1 / n1))
    z = float(z if worse else -z)
    dispersion = pearson_dispersion(k, n, int((~since).sum()) - 1)
    if dispersion <= 1:
        return float(normal_tail(z))
    return max(float(normal_tail(z)), float(student_tail(z / np.sqrt(dispersion), max(len(k) - 2, 1))))


def _is_among_largest_shops(by_shop: pl.DataFrame) -> pl.Series:
    """Whether a row is of one of the shops with most bleeds; months of thousands of shops are read by nobody."""
    bleeds = by_shop.group_by("shop").agg(pl.col("sessions").sum()).sort("sessions", "shop", descending=[True, False])
    return by_shop.get_column("shop").is_in(bleeds.get_column("shop").head(MAX_LEVELS).implode())


def _counts_by_group(by_shop: pl.DataFrame, kind: str, group: pl.Expr) -> pl.DataFrame:
    table = (
        by_shop.group_by("month", kind=pl.lit(kind), group=group)
        .agg(pl.col("sessions", "mature", "comebacks").sum())
        .select("kind", "group", "month", "sessions", "mature", "comebacks")
        .sort("kind", "group", "month")
    )
    return table.with_columns(rate=(pl.col("comebacks") / pl.col("mature")).fill_nan(None))


def mark_measures(months: DataFrame[Months], measures: pl.DataFrame) -> DataFrame[Months]:
    """The months with the changes in a workshop that began in each; those of one workshop are marked for all, too."""
    begun = measures.select("what", "shop", month=pl.col("began_on").dt.strftime("%Y-%m"))
    texts: dict[tuple[str, str, str], str] = {}
    for kind, group in months.select("kind", "group").unique().iter_rows():
        own = begun if kind == "all" else begun.filter(pl.col("shop").is_null() | (pl.col("shop") == group))
        by_month = own.group_by("month").agg(pl.col("what").unique().sort().str.join("; "))
        texts |= {(kind, group, month): what for month, what in by_month.iter_rows()}
    marks = [texts.get(key) for key in months.select("kind", "group", "month").iter_rows()]
    return validate_table(Months, months.with_columns(measure=pl.Series(marks, dtype=pl.String)))


def _is_in_group(group: Group) -> pl.Expr:
    """Whether a bleed is in a group: the group's kind is the column with its name."""
    return pl.col(str(group[0])).eq(pl.lit(group[1]))


def _followed_months(rows: pl.DataFrame, bleeds: pl.DataFrame) -> pl.DataFrame:
    """Months with mature bleeds in which all bleeds are older than the window, with expected comebacks.

    Bleeds outside the observation window are not mature and do not count. `number` is the month's number in the calendar.
    """
    old_enough = bleeds.group_by("month").agg(old_enough=pl.col("old_enough").all())
    mature_risk = np.where(bleeds.get_column("mature").to_numpy(), bleeds.get_column("risk").to_numpy(), 0.0)
    expected = sum_by_level(bleeds.get_column("month"), mature_risk).rename({"sum": "expected"})
    table = rows.join(old_enough, on="month", how="left").join(expected, on="month", how="left").sort("month")
    year, month = (pl.col("month").str.slice(start, length).cast(pl.Int64) for start, length in ((0, 4), (5, 2)))
    return table.filter(pl.col("old_enough"), pl.col("mature") > 0).with_columns(number=12 * year + month)


def _monitor_groups(followed: dict[Group, pl.DataFrame], rng: np.random.Generator) -> dict[Group, _Monitored]:
    """Null models and charts of the groups with enough months and comebacks; with a single shop, of all bleeds only.

    Shops share one variance between months.
    """
    groups = [group for group, rows in followed.items() if _has_enough_data(rows)]
    if len(followed) == 2:
        groups = groups[:1]
    series = {group: _monthly_series(followed[group]) for group in groups}
    shops = [group for group in groups if group[0] == "shop"]
    nulls: dict[Group, NullModel] = {}
    if shops:
        nulls = dict(
            zip(shops, fit_null_models_with_shared_variance([series[shop] for shop in shops], rng), strict=True)
        )
    nulls |= {group: fit_null_model(series[group], rng) for group in groups if group not in nulls}
    alpha = SIGNAL_ALPHA / max(len(groups), 1)
    return {
        group: _Monitored(
            followed[group].get_column("month"),
            nulls[group],
            control_charts(nulls[group], alpha),
            locate_change(nulls[group]),
        )
        for group in groups
    }


def _has_enough_data(followed: pl.DataFrame) -> bool:
    comebacks = int(followed.get_column("comebacks").sum())
    return followed.height >= MIN_CHART_MONTHS and comebacks >= MIN_CHART_COMEBACKS


def _monthly_series(followed: pl.DataFrame) -> MonthlySeries:
    counts = (followed.get_column(name).to_numpy().astype(float) for name in ("comebacks", "mature", "expected"))
    return MonthlySeries(followed.get_column("number").to_numpy(), *counts)


def _add_chart_columns(rows: pl.DataFrame, monitored: _Monitored | None, reason: str) -> pl.DataFrame:
    """A group's months with chart columns and signals; empty, with the reason as signal, where not monitored."""
    table = rows.with_columns(
        change_began=pl.lit(False),
        step_moved=pl.lit(None, pl.String),
        measure=pl.lit(None, pl.String),
        change_p_value=pl.lit(None, pl.Float64),
    )
    if monitored is None:
        absent = [pl.lit(None, pl.Float64).alias(name) for name in CHART_COLUMNS]
        return table.with_columns(*absent, signal=pl.lit(reason))
    charts, series = monitored.charts, monitored.null.series
    rate, limits = series.observed / series.bleeds, charts.limits
    high = (rate > limits.upper) | (charts.up > charts.up_limit)
    low = (rate < limits.lower) | (charts.down > charts.down_limit)
    values = (limits.centre, limits.lower, limits.upper, charts.up, charts.down)
    columns = pl.DataFrame(
        {
            "month": monitored.months,
            **dict(zip(CHART_COLUMNS, values, strict=False)),
            "signal": np.where(high, "high", np.where(low, "low", "none")),
        }
    ).with_columns(cusum_limit=pl.lit(charts.up_limit), cusum_limit_down=pl.lit(charts.down_limit))
    return table.join(columns, on="month", how="left").with_columns(pl.col("signal").fill_null("too_few"))


def _add_change_point(
    table: pl.DataFrame, monitored: _Monitored, bleeds: pl.DataFrame, missed: pl.DataFrame
) -> pl.DataFrame:
    month = monitored.months[monitored.change.index]
    step = changed_step(bleeds, missed, month, worse=monitored.change.ratio > 1)
    began = pl.col("month") == month
    return table.with_columns(change_began=began, step_moved=pl.when(began).then(pl.lit(step, pl.String)))
