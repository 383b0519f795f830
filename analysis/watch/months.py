"""Better or worse, and since when: the months table."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.prepared import Prepared
from analysis.stats import benjamini_hochberg, normal_tail, sums_by
from analysis.watch.change import change_point
from analysis.watch.cusum import levels, limit_for, path, weights
from analysis.watch.p_chart import p_chart
from analysis.watch.raw import raw_months
from schemas import checked, empty
from schemas.outputs import Months

Numbers = NDArray[np.float64]
IN_CONTROL_YEARS = 5.0
WORSE, BETTER = 2.0, 0.5
LEAST_MONTHS, LEAST_BACK = 6, 10
OWN_COMEBACKS = 20.0
"""Comebacks' worth of 'as expected' that a group's own early level is pulled toward."""
CHANGE_P, STEP_Q = 0.05, 0.05


def months(prepared: Prepared, risk: Numbers, rng: np.random.Generator) -> DataFrame[Months]:
    """Every group's months: rate, limits, CUSUM, and the month a change began.

    The p-chart's limits are three sigma, widened where months vary more than chance (Laney). The CUSUM is adjusted for
    the work: each bleed counts against its expected risk, at the group's own early level; its limits are set for an
    in-control run of five years of the group's own volume. A change is named when a chart signals and a change-point
    test agrees (p ≤ 0.05). Months whose bleeds are not all followed raise no signal.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    risk
        Each bleed's expected risk from the work alone, in the order of `prepared.bleeds`.
    rng
        For the change-point test.
    """
    raw = raw_months(prepared)
    bleeds = prepared.bleeds.select(
        *("session_id", "started_at", "month", "came_back"),
        pl.col("shop").fill_null("not recorded"),
        risk=np.clip(risk, 1e-6, 1 - 1e-6),
        all=pl.lit("all"),
    )
    missed = prepared.missed
    schema = empty(Months).schema
    parts = []
    for (kind, group), own in raw.group_by("kind", "group", maintain_order=True):
        mine = bleeds.get_column(str(kind)) == group
        told = _group(own, bleeds.filter(mine), missed.filter(mine), prepared.too_few, rng)
        parts.append(told.select(schema.names()).cast(schema))
    table = pl.concat(parts) if parts else empty(Months)
    return checked(Months, table.sort("kind", "group", "month"))


def _group(
    own: pl.DataFrame, bleeds: pl.DataFrame, missed: pl.DataFrame, too_few: bool, rng: np.random.Generator
) -> pl.DataFrame:
    nothing = {
        name: pl.lit(None, pl.Float64) for name in ("centre", "lower", "upper", "cusum_up", "cusum_down", "cusum_limit")
    }
    blank = own.with_columns(
        **nothing, signal=pl.lit("too_few"), change_began=pl.lit(False), step_moved=pl.lit(None, pl.String)
    )
    full = (own.get_column("mature") == own.get_column("sessions")) & (own.get_column("mature") > 0)
    whole = own.filter(full)
    if too_few or whole.height < LEAST_MONTHS or whole.get_column("comebacks").sum() < LEAST_BACK:
        return blank
    counts, sizes = (whole.get_column(c).to_numpy().astype(float) for c in ("comebacks", "mature"))
    limits = p_chart(counts, sizes)
    charted = whole.select("month").with_columns(
        lower=limits.lower, upper=limits.upper, out=pl.Series(_outside(counts, sizes, limits))
    )
    charted = charted.with_columns(centre=pl.lit(limits.centre))
    sums = _cusum(bleeds, whole, own)
    table = blank.drop(*nothing).join(charted, on="month", how="left").join(sums, on="month", how="left")
    followed = pl.Series(full)
    high = (pl.col("out") == "high") | (pl.col("cusum_up") > pl.col("cusum_limit"))
    low = (pl.col("out") == "low") | (pl.col("cusum_down") > pl.col("cusum_limit_down"))
    table = table.with_columns(
        signal=pl.when(~followed).then(pl.lit("too_few")).when(high).then(pl.lit("high")).when(low).then(pl.lit("low"))
        .otherwise(pl.lit("none"))
    )  # fmt: skip
    return _change(table, bleeds, missed, whole, rng)


def _outside(counts: Numbers, sizes: Numbers, limits) -> list[str]:  # type: ignore[no-untyped-def]
    share = counts / sizes
    return [
        "high" if s > u else "low" if s < lo else "none"
        for s, lo, u in zip(share, limits.lower, limits.upper, strict=True)
    ]


def _cusum(bleeds: pl.DataFrame, whole: pl.DataFrame, own: pl.DataFrame) -> pl.DataFrame:
    """The CUSUM at each month's end, against the group's own level in its first third of followed months."""
    followed = bleeds.filter(pl.col("month").is_in(whole.get_column("month").implode()))
    followed = followed.sort("started_at", maintain_order=True)  # they come in the order of their ids
    early = whole.get_column("month").head(max(whole.height // 3, 3)).implode()
    base = followed.filter(pl.col("month").is_in(early))
    level = (int(base.get_column("came_back").sum()) + OWN_COMEBACKS) / (
        float(base.get_column("risk").sum()) + OWN_COMEBACKS
    )
    risk = np.clip(followed.get_column("risk").to_numpy() * level, 1e-6, 1 - 1e-6)
    back = followed.get_column("came_back").to_numpy().astype(float)
    a_year = followed.height / max(own.height, 1) * 12
    up, down = path(weights(risk, back, WORSE)), path(weights(risk, back, BETTER))
    ends = (
        followed.with_columns(cusum_up=up, cusum_down=down)
        .group_by("month")
        .agg(pl.col("cusum_up", "cusum_down").last())
    )
    usual = levels(risk)
    return ends.sort("month").with_columns(
        cusum_limit=pl.lit(limit_for(usual, WORSE, IN_CONTROL_YEARS * a_year)),
        cusum_limit_down=pl.lit(limit_for(usual, BETTER, IN_CONTROL_YEARS * a_year)),
    )


def _change(
    table: pl.DataFrame, bleeds: pl.DataFrame, missed: pl.DataFrame, whole: pl.DataFrame, rng: np.random.Generator
) -> pl.DataFrame:
    expected = sums_by(bleeds.get_column("month"), bleeds.get_column("risk").to_numpy()).rename({"sum": "risk"})
    series = whole.join(expected, on="month", how="left").sort("month")
    found = change_point(
        series.get_column("comebacks").to_numpy().astype(float), series.get_column("risk").to_numpy(), rng
    )
    signals = table.get_column("signal").is_in(["high", "low"]).any()
    if found is None or not signals or found.p_value > CHANGE_P:
        return table
    month = series.get_column("month")[found.place]
    moved = step_moved(bleeds, missed, month, worse=found.ratio > 1)
    began = pl.col("month") == month
    return table.with_columns(
        change_began=began, step_moved=pl.when(began).then(pl.lit(moved, pl.String)).otherwise(pl.lit(None, pl.String))
    )


def step_moved(bleeds: pl.DataFrame, missed: pl.DataFrame, month: str, *, worse: bool) -> str | None:
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
