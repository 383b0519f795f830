"""What was known before a bleed began: earlier comebacks of its technician and brake model, and the model's firm
lever travel.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

PRIOR_BLEEDS = 20.0
"""Weight of the overall rate in the rate of a technician or model, in bleeds."""
REFERENCE_TRAVELS = 200
MIN_REFERENCE_TRAVELS = 5
EVERYONE = "everyone"


@dataclass(frozen=True)
class History:
    """Cumulative counts of a log by day, from which any bleed can look up what was known before it.

    `outcomes` (kind, group, day, bleeds, back): outcomes known by that day; `starts` (technician, day, bleeds): bleeds
    begun; `reference_travel` (brake_model, day, reference_mm): firm lever travel.
    """

    outcomes: pl.DataFrame
    starts: pl.DataFrame
    reference_travel: pl.DataFrame


def build_history(bleeds: pl.DataFrame, window_days: int) -> History:
    """Build the history of a log.

    Parameters
    ----------
    bleeds
        session_id, technician, brake_model, started_at, lever_travel_after_mm, mature, came_back.
    window_days
        Follow-up window; an outcome is known the day after it ends.
    """
    dated = bleeds.select(
        "session_id",
        "lever_travel_after_mm",
        "mature",
        pl.col("technician", "brake_model").fill_null(""),
        day=_start_date(),
        known_on=_start_date() + pl.duration(days=window_days + 1),
        back=pl.col("came_back").cast(pl.Float64),
    )
    mature = dated.filter("mature")
    outcomes = pl.concat(
        [
            _known_outcomes(mature, EVERYONE),
            _known_outcomes(mature, "technician"),
            _known_outcomes(mature, "brake_model"),
        ]
    )
    starts = (
        dated.group_by("technician", "day")
        .agg(bleeds=pl.len().cast(pl.Float64))
        .sort("technician", "day")
        .with_columns(pl.col("bleeds").cum_sum().over("technician"))
    )
    return History(outcomes.sort("kind", "group", "day"), starts, _reference_travel(dated))


def point_in_time_features(history: History, bleeds: pl.DataFrame) -> pl.DataFrame:
    """Look up what was known before each bleed's day.

    Parameters
    ----------
    history
        Of any log; a bleed later than that log sees all of it.
    bleeds
        session_id, technician, brake_model, started_at.

    Returns
    -------
    pl.DataFrame
        In the order of `bleeds`: session_id; technician_rate and model_rate (fractions, shrunk towards the overall rate
        known then; empty where nothing was known); technician_bleeds (begun on earlier days); firm_reference_mm (20%
        quantile of the model's last 200 lever travels on earlier days, at least 5; else empty).
    """
    lookups = bleeds.select(
        "session_id",
        pl.col("technician", "brake_model").fill_null(""),
        day=_start_date(),
        before=_start_date() - pl.duration(days=1),
        everyone=pl.lit(EVERYONE),
    ).with_row_index("place")
    overall = _known_counts(history, lookups, EVERYONE)
    overall_rate = pl.Series(overall["back"] + 1) / (overall["bleeds"] + PRIOR_BLEEDS)
    rates = {}
    for kind in ("technician", "brake_model"):
        counts = _known_counts(history, lookups, kind)
        shrunk = (counts["back"] + PRIOR_BLEEDS * overall_rate) / (counts["bleeds"] + PRIOR_BLEEDS)
        rates[kind] = pl.select(pl.when(overall["bleeds"] > 0).then(shrunk)).to_series()
    starts = _latest_before(history.starts, lookups, "technician", ["bleeds"])
    firm = _latest_before(history.reference_travel, lookups, "brake_model", ["reference_mm"])
    return bleeds.select(
        "session_id",
        technician_rate=rates["technician"],
        model_rate=rates["brake_model"],
        technician_bleeds=starts.get_column("bleeds").fill_null(0.0),
        firm_reference_mm=firm.get_column("reference_mm"),
    )


def _start_date() -> pl.Expr:
    return pl.col("started_at").dt.date()


def _known_outcomes(mature: pl.DataFrame, kind: str) -> pl.DataFrame:
    group = pl.lit(EVERYONE) if kind == EVERYONE else pl.col(kind)
    return (
        mature.group_by(group.alias("group"), day="known_on")
        .agg(bleeds=pl.len().cast(pl.Float64), back=pl.col("back").sum())
        .sort("group", "day")
        .with_columns(pl.col("bleeds", "back").cum_sum().over("group"))
        .select(pl.lit(kind).alias("kind"), "group", "day", "bleeds", "back")
    )


def _reference_travel(dated: pl.DataFrame) -> pl.DataFrame:
    return (
        dated.filter(pl.col("lever_travel_after_mm").is_not_null())
        .sort("brake_model", "day", "session_id")
        .with_columns(
            reference_mm=pl.col("lever_travel_after_mm")
            .rolling_quantile(
                0.2, interpolation="linear", window_size=REFERENCE_TRAVELS, min_samples=MIN_REFERENCE_TRAVELS
            )
            .over("brake_model")
        )
        .group_by("brake_model", "day", maintain_order=True)
        .agg(pl.col("reference_mm").last())
        .drop_nulls("reference_mm")
    )


def _known_counts(history: History, bleeds: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Bleeds whose outcome was known by the day, and comebacks among them."""
    outcomes = history.outcomes.filter(pl.col("kind") == kind).select(
        pl.col("group").alias(kind), "day", "bleeds", "back"
    )
    return _latest_before(outcomes, bleeds.with_columns(before="day"), kind, ["bleeds", "back"]).fill_null(0.0)


def _latest_before(table: pl.DataFrame, bleeds: pl.DataFrame, by: str, columns: list[str]) -> pl.DataFrame:
    """Last row of each group up to `before`, in the order of `bleeds`."""
    latest = (
        bleeds.select("place", by, "before")
        .sort("before", "place")
        .join_asof(
            table.sort("day"), left_on="before", right_on="day", by=by, strategy="backward", check_sortedness=False
        )
    )
    return latest.sort("place").select(columns)
