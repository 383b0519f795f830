"""What was known before a bleed began: earlier comebacks of its technician and model, and its firm lever travel."""

from __future__ import annotations

import polars as pl

PRIOR_BLEEDS = 20.0
"""Bleeds' worth of the overall rate that a short history is pulled toward."""
REFERENCE_WINDOW = 200
LEAST_FOR_REFERENCE = 5


def known_history(bleeds: pl.DataFrame, window_days: int) -> pl.DataFrame:
    """Comeback rates of the technician and of the model among bleeds whose window had passed before this one began.

    A bleed counts from the day after its window ended, with what had come back by then: nothing that happened on or
    after this bleed's day takes part.

    Parameters
    ----------
    bleeds
        session_id, technician, brake_model, started_at, came_back.
    window_days
        The window.

    Returns
    -------
    pl.DataFrame
        session_id, technician_rate, model_rate (fractions, pulled toward the overall rate known then),
        technician_bleeds (how many earlier bleeds the technician had, known or not); in the order of `bleeds`.
    """
    dated = bleeds.select(
        "session_id",
        pl.col("technician").fill_null(""),
        pl.col("brake_model").fill_null(""),
        day=pl.col("started_at").dt.date(),
        told_on=pl.col("started_at").dt.date() + pl.duration(days=window_days + 1),
        back=pl.col("came_back").cast(pl.Float64),
    )
    overall = _rates(dated.with_columns(everyone=pl.lit("")), "everyone", None)
    technician = _rates(dated, "technician", overall)
    model = _rates(dated, "brake_model", overall)
    earlier = dated.select("session_id", earlier=(pl.col("day").rank("min").over("technician") - 1).cast(pl.Float64))
    return (
        dated.select("session_id")
        .join(technician.rename({"rate": "technician_rate"}), on="session_id", how="left", maintain_order="left")
        .join(model.rename({"rate": "model_rate"}), on="session_id", how="left", maintain_order="left")
        .join(earlier.rename({"earlier": "technician_bleeds"}), on="session_id", how="left", maintain_order="left")
    )


def firm_reference_mm(bleeds: pl.DataFrame) -> pl.Series:
    """Lever travel of a firm brake of that model, from the shop's own earlier bleeds: their lower fifth.

    The last 200 bleeds of the model begun on earlier days take part, at least five; before that it is unknown.

    Parameters
    ----------
    bleeds
        session_id, brake_model, started_at, lever_travel_after_mm.

    Returns
    -------
    pl.Series
        Millimetres, in the order of `bleeds`; empty where unknown.
    """
    dated = bleeds.select(
        "session_id", "lever_travel_after_mm", pl.col("brake_model").fill_null(""), day=pl.col("started_at").dt.date()
    )
    daily = (
        dated.sort("brake_model", "day", "session_id")
        .with_columns(
            reference=pl.col("lever_travel_after_mm")
            .rolling_quantile(
                0.2, interpolation="linear", window_size=REFERENCE_WINDOW, min_samples=LEAST_FOR_REFERENCE
            )
            .over("brake_model")
        )
        .group_by("brake_model", "day", maintain_order=True)
        .agg(pl.col("reference").last())
        .sort("day")
    )
    found = (
        dated.with_columns(before=pl.col("day") - pl.duration(days=1))
        .sort("before")
        .join_asof(daily, left_on="before", right_on="day", by="brake_model", strategy="backward")
    )
    return (
        bleeds.select("session_id")
        .join(found.select("session_id", "reference"), on="session_id", how="left", maintain_order="left")
        .get_column("reference")
    )


def _rates(dated: pl.DataFrame, group: str, toward: pl.DataFrame | None) -> pl.DataFrame:
    told = (
        dated.group_by(group, "told_on")
        .agg(n=pl.len(), back=pl.col("back").sum())
        .sort("told_on")
        .with_columns(pl.col("n", "back").cum_sum().over(group))
    )
    known = (
        dated.select("session_id", group, "day")
        .sort("day")
        .join_asof(told, left_on="day", right_on="told_on", by=group, strategy="backward")
    )
    known = known.with_columns(pl.col("n", "back").fill_null(0))
    if toward is None:
        return known.select("session_id", rate=(pl.col("back") + 1) / (pl.col("n") + PRIOR_BLEEDS))
    known = known.join(toward.rename({"rate": "overall"}), on="session_id", how="left")
    pulled = (pl.col("back") + PRIOR_BLEEDS * pl.col("overall")) / (pl.col("n") + PRIOR_BLEEDS)
    return known.select("session_id", rate=pulled)
