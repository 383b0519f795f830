"""What was known before a bleed began: earlier comebacks of its technician and model, and its firm lever travel."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

PRIOR_BLEEDS = 20.0
"""Bleeds' worth of the overall rate that a short history is pulled toward."""
REFERENCE_WINDOW = 200
MIN_FOR_REFERENCE = 5
EVERYONE = "everyone"


@dataclass(frozen=True)
class History:
    """What a log told by its as-of date, day by day, so that any bleed can look up what was known before it.

    `outcomes`: kind (everyone, technician, brake_model), group, day, bleeds and back (bleeds whose window had passed by
    that day, and how many of them came back; running sums). `starts`: technician, day, bleeds (begun by the end of that
    day). `reference_travel`: brake_model, day, reference_mm (of the bleeds up to and with that day). Each sorted by its columns.
    """

    outcomes: pl.DataFrame
    starts: pl.DataFrame
    reference_travel: pl.DataFrame


def build_history(bleeds: pl.DataFrame, window_days: int) -> History:
    """The history of a log.

    A bleed counts from the day after its window ended, with what had come back by then; one that was not followed so
    far is left out, since its outcome is not known.

    Parameters
    ----------
    bleeds
        session_id, technician, brake_model, started_at, lever_travel_after_mm, mature, came_back.
    window_days
        The window.
    """
    dated = bleeds.select(
        "session_id",
        "lever_travel_after_mm",
        "mature",
        pl.col("technician", "brake_model").fill_null(""),
        day=_day(),
        told_on=_day() + pl.duration(days=window_days + 1),
        back=pl.col("came_back").cast(pl.Float64),
    )
    known = dated.filter("mature")
    outcomes = pl.concat(
        [_known_outcomes(known, EVERYONE), _known_outcomes(known, "technician"), _known_outcomes(known, "brake_model")]
    )
    starts = (
        dated.group_by("technician", "day")
        .agg(bleeds=pl.len().cast(pl.Float64))
        .sort("technician", "day")
        .with_columns(pl.col("bleeds").cum_sum().over("technician"))
    )
    return History(outcomes.sort("kind", "group", "day"), starts, _reference_travel(dated))


def point_in_time_features(history: History, bleeds: pl.DataFrame) -> pl.DataFrame:
    """What was known before each bleed's day of its technician, its model and its firm lever travel.

    Parameters
    ----------
    history
        Of any log; a bleed later than it sees all of it.
    bleeds
        session_id, technician, brake_model, started_at.

    Returns
    -------
    pl.DataFrame
        session_id, technician_rate, model_rate (fractions, pulled toward the overall rate known then; empty where
        nothing was known at all), technician_bleeds (how many the technician had begun on earlier days),
        firm_reference_mm (the lower fifth of the last 200 lever travels of that model on earlier days, at least five;
        empty where unknown); in the order of `bleeds`.
    """
    lookups = bleeds.select(
        "session_id",
        pl.col("technician", "brake_model").fill_null(""),
        day=_day(),
        before=_day() - pl.duration(days=1),
        everyone=pl.lit(EVERYONE),
    ).with_row_index("place")
    overall = _counts(history, lookups, EVERYONE)
    base = pl.Series(overall["back"] + 1) / (overall["bleeds"] + PRIOR_BLEEDS)
    rates = {}
    for kind in ("technician", "brake_model"):
        counts = _counts(history, lookups, kind)
        pulled = (counts["back"] + PRIOR_BLEEDS * base) / (counts["bleeds"] + PRIOR_BLEEDS)
        rates[kind] = pl.select(pl.when(overall["bleeds"] > 0).then(pulled)).to_series()
    starts = _latest(history.starts, lookups, "technician", ["bleeds"])
    firm = _latest(history.reference_travel, lookups, "brake_model", ["reference_mm"])
    return bleeds.select(
        "session_id",
        technician_rate=rates["technician"],
        model_rate=rates["brake_model"],
        technician_bleeds=starts.get_column("bleeds").fill_null(0.0),
        firm_reference_mm=firm.get_column("reference_mm"),
    )


def _day() -> pl.Expr:
    return pl.col("started_at").dt.date()


def _known_outcomes(known: pl.DataFrame, kind: str) -> pl.DataFrame:
    group = pl.lit(EVERYONE) if kind == EVERYONE else pl.col(kind)
    return (
        known.group_by(group.alias("group"), day="told_on")
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
            .rolling_quantile(0.2, interpolation="linear", window_size=REFERENCE_WINDOW, min_samples=MIN_FOR_REFERENCE)
            .over("brake_model")
        )
        .group_by("brake_model", "day", maintain_order=True)
        .agg(pl.col("reference_mm").last())
        .drop_nulls("reference_mm")
    )


def _counts(history: History, bleeds: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Bleeds whose outcome was known by the day itself, and those of them that came back; 0 where none."""
    outcomes = history.outcomes.filter(pl.col("kind") == kind).select(
        pl.col("group").alias(kind), "day", "bleeds", "back"
    )
    return _latest(outcomes, bleeds.with_columns(before="day"), kind, ["bleeds", "back"]).fill_null(0.0)


def _latest(table: pl.DataFrame, bleeds: pl.DataFrame, by: str, columns: list[str]) -> pl.DataFrame:
    """The last row of each group up to `before`, in the order of `bleeds`."""
    latest = (
        bleeds.select("place", by, "before")
        .sort("before", "place")
        .join_asof(
            table.sort("day"), left_on="before", right_on="day", by=by, strategy="backward", check_sortedness=False
        )
    )
    return latest.sort("place").select(columns)
