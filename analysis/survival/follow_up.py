"""Returns matched to the bleeds they belong to, and the follow-up of each bleed: time at risk and how it ended."""

from __future__ import annotations

import datetime as dt

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import DONE, Log
from analysis.standard import Standard
from analysis.stats import level_codes
from analysis.survival.observation_window import WHOLE_LOG, ObservationWindow
from schemas import validate_table
from schemas.intermediate import Followed, Returns, Workload
from schemas.log import RETURN_REASONS, Sessions

OTHER_COMPLAINTS, BLEED_FINDINGS = ("noise", "drag"), ("air", "leak", "old_fluid")
RE_BLED_OUTCOMES = ("re_bled", "elsewhere")
"""Outcomes of a recall or second check after which the brake has another bleed in it."""


def adjacent_bleeds(sessions: DataFrame[Sessions]) -> pl.DataFrame:
    """Each bleed with the previous and the next two bleeds of the same brake, in order of day, hour and session_id.

    Returns
    -------
    DataFrame
        Sorted by session_id: session_id, started_at, day, job_reason; previous_id and previous_day; next_day, and
        next_but_one_day of the bleed after it; empty where there is none.
    """
    bleeds = sessions.select(
        "session_id",
        "job_reason",
        "started_at",
        brake_of_bike=pl.struct("bike_id", "brake").rank("dense"),
        day=pl.col("started_at").dt.date(),
    ).sort("session_id")
    bleeds = bleeds.with_row_index("place").sort("brake_of_bike", "started_at", "place")
    neighbours = bleeds.select(
        "place",
        "session_id",
        "started_at",
        "day",
        "job_reason",
        previous_id=_value_of_same_brake("session_id", 1),
        previous_day=_value_of_same_brake("day", 1),
        next_day=_value_of_same_brake("day", -1),
        next_but_one_day=_value_of_same_brake("day", -2),
    )
    return neighbours.sort("place").drop("place")


def match_returns(
    log: Log, standard: Standard, window_days: int, adjacent: pl.DataFrame | None = None
) -> DataFrame[Returns]:
    """Every re-bleed return of an accepted bleed.

    A return matched to a bleed counts if the standard counts its complaint or its finding, unless the finding is one
    that the standard excludes. Where no return of the log has a complaint or finding, every return counts: the workshop
    wrote down only that the bike came back. A bleed whose job_reason is `comeback` or `soft_lever` counts as a return
    of the previous bleed of the same brake, on the day it began and within the window, unless a return is recorded
    between the two or it is the re-bleed of a recall or second check. `adjacent` is `adjacent_bleeds(log.sessions)`, if
    already computed.

    Returns
    -------
    DataFrame[Returns]
        Sorted by session_id, days and comeback_id.
    """
    links = log.links.filter(pl.col("session_id").is_not_null()).rename({"session_id": "bleed"})
    recorded = links.join(log.comebacks.drop("session_id"), on="comeback_id", how="inner")
    if has_complaints_or_findings(log):
        recorded = recorded.filter(_counts_as_rebleed(standard))
    rows = recorded.select(
        session_id="bleed", days="days", comeback_id="comeback_id", repair_session_id=pl.lit(None, pl.String)
    )
    adjacent = adjacent_bleeds(log.sessions) if adjacent is None else adjacent
    by_reason = _returns_by_job_reason(log, window_days, adjacent)
    return validate_table(Returns, pl.concat([rows, by_reason]).sort("session_id", "days", "comeback_id"))


def days_to_other_returns(log: Log, standard: Standard) -> pl.DataFrame:
    """Days to the first return of each bleed for pads, noise, drag or wear: session_id, other_return_days.

    A return counts if the standard excludes its finding (worn parts, pads), or if the complaint is noise or drag and
    neither air, a leak nor old fluid was found.
    """
    rule = standard.comeback
    excluded = pl.col("finding").is_in(list(rule.exclude_findings)).fill_null(False)
    harmless = pl.col("complaint").is_in(OTHER_COMPLAINTS).fill_null(False) & ~_counts_as_rebleed(standard)
    of_a_bleed = pl.col("finding").is_in(BLEED_FINDINGS).fill_null(False)
    links = log.links.filter(pl.col("session_id").is_not_null())
    rows = links.join(log.comebacks.drop("session_id"), on="comeback_id", how="inner")
    rows = rows.filter(excluded | (harmless & ~of_a_bleed))
    return rows.group_by("session_id").agg(other_return_days=pl.col("days").min()).sort("session_id")


def has_complaints_or_findings(log: Log) -> bool:
    """Whether any return has a complaint or a finding."""
    return any(log.comebacks.get_column(name).count() for name in ("complaint", "finding"))


def re_bled_days(log: Log, adjacent: pl.DataFrame) -> pl.DataFrame:
    """Days from a bleed to its re-bleed after a recall or second check, here or in another shop: session_id, re_bled_days."""
    done = log.actions.filter(DONE, pl.col("outcome").is_in(RE_BLED_OUTCOMES)).select("session_id", "done_on")
    days = (pl.col("done_on") - pl.col("day")).dt.total_days()
    bleeds = adjacent.select("session_id", "day").join(done, on="session_id", how="inner").with_columns(days=days)
    return bleeds.filter(pl.col("days") >= 0).group_by("session_id").agg(re_bled_days=pl.col("days").min())


def _value_of_same_brake(column: str, shift: int) -> pl.Expr:
    """The value `shift` rows earlier in the sorted table, where that is still the same brake."""
    brake = pl.col("brake_of_bike")
    return pl.when(brake == brake.shift(shift)).then(pl.col(column).shift(shift))


def _counts_as_rebleed(standard: Standard) -> pl.Expr:
    rule = standard.comeback
    complaint_counts = pl.col("complaint").is_in(list(rule.complaints)).fill_null(False)
    finding_counts = pl.col("finding").is_in(list(rule.findings)).fill_null(False)
    return (complaint_counts | finding_counts) & ~pl.col("finding").is_in(list(rule.exclude_findings)).fill_null(False)


def _returns_by_job_reason(log: Log, window_days: int, adjacent: pl.DataFrame) -> pl.DataFrame:
    """Bleeds done because of a comeback, as returns of the previous bleed where none is recorded."""
    days = (pl.col("day") - pl.col("previous_day")).dt.total_days()
    by_reason = (
        adjacent.filter(pl.col("job_reason").is_in(RETURN_REASONS))
        .select(session_id="previous_id", days=days, repair_session_id="session_id")
        .filter(pl.col("days") <= window_days)
    )
    links = log.links.filter(pl.col("session_id").is_not_null())
    recorded = links.group_by("session_id").agg(recorded_days=pl.col("days").min()).sort("session_id")
    by_reason = by_reason.join(recorded, on="session_id", how="left")
    unrecorded = by_reason.filter(~(pl.col("recorded_days") <= pl.col("days")).fill_null(False))
    called_in = re_bled_days(log, adjacent).select("session_id", days="re_bled_days")
    unrecorded = unrecorded.join(called_in, on=["session_id", "days"], how="anti", maintain_order="left")
    return unrecorded.select("session_id", "days", pl.lit(None, pl.String).alias("comeback_id"), "repair_session_id")


def add_follow_up(
    log: Log,
    standard: Standard,
    window_days: int,
    observation_window: ObservationWindow = WHOLE_LOG,
    known_returns: DataFrame[Returns] | None = None,
    adjacent: pl.DataFrame | None = None,
) -> DataFrame[Followed]:
    """Follow-up of every accepted bleed.

    Time at risk ends at the first of: a re-bleed after a recall or second check (competing event of its own kind), a
    re-bleed return (event), any later bleed of the same brake (competing event), the last day on which the shop
    recorded returns (censoring; the as-of date unless limited). On the same day they count in this order. A bleed is
    mature if that last day is at least `window_days` after it. A bleed from before returns were recorded is not counted
    as a success: it is not mature and has no time at risk. `known_returns` is `match_returns` of the same log,
    `adjacent` its `adjacent_bleeds`, if already computed.
    """
    adjacent = adjacent_bleeds(log.sessions) if adjacent is None else adjacent
    known_returns = match_returns(log, standard, window_days, adjacent) if known_returns is None else known_returns
    first = known_returns.group_by("session_id").agg(back_days=pl.col("days").min()).sort("session_id")
    bleeds = adjacent.join(first, on="session_id", how="left", maintain_order="left")
    bleeds = bleeds.join(re_bled_days(log, adjacent), on="session_id", how="left", maintain_order="left")
    bleeds = bleeds.with_columns(
        month=pl.col("started_at").dt.strftime("%Y-%m"),
        age_days=_days_to(pl.lit(log.as_of)),
        observed_days=pl.Series(_observed_days(log, adjacent, observation_window)),
        gap_days=_days_to(pl.col("next_day")),
    ).with_columns(return_days=pl.when(_is_return_counted()).then("back_days"))
    table = bleeds.with_columns(
        mature=pl.col("observed_days") >= window_days,
        came_back=(pl.col("return_days") <= window_days).fill_null(False),
        next_bleed_days=_next_bleed_days(),
        days_at_risk=pl.min_horizontal("return_days", "re_bled_days", "gap_days", "observed_days"),
        end=_end_of_risk(),
    )
    return validate_table(Followed, table.select(list(Followed.to_schema().columns)))


def workload(log: Log) -> DataFrame[Workload]:
    """How many bleeds the technician did that day, and this bleed's position among them; sorted by session_id."""
    technician = pl.Series(level_codes(log.sessions.get_column("technician")))
    bleeds = log.sessions.select("session_id", "started_at", who=technician, day=pl.col("started_at").dt.date())
    bleeds = bleeds.sort("session_id")
    bleeds = bleeds.with_row_index("number").sort("who", "started_at", "number")
    table = bleeds.with_columns(
        bleeds_that_day=pl.len().over("who", "day").cast(pl.Int64),
        place_in_day=pl.int_range(1, pl.len() + 1).over("who", "day"),
    ).sort("number")
    return validate_table(Workload, table.select("session_id", "bleeds_that_day", "place_in_day"))


def _days_to(day: pl.Expr) -> pl.Expr:
    return (day - pl.col("day")).dt.total_days()


def _observed_days(log: Log, adjacent: pl.DataFrame, window: ObservationWindow) -> pl.Series:
    """Days after each bleed on which its return would have been recorded; 0 for a bleed outside the window."""
    first, last = window.returns_from or dt.date.min, min(log.as_of, window.returns_to or log.as_of)
    if not window.shops:
        return adjacent.select(_days_within(pl.lit(first), pl.lit(last))).to_series()
    spans = {
        shop: (max(first, span.returns_from or first), min(last, span.returns_to or last))
        for shop, span in window.shops.items()
    }
    shop = log.sessions.sort("session_id").get_column("shop")
    shop_first, shop_last = (
        shop.replace_strict({name: span[end] for name, span in spans.items()}, default=default, return_dtype=pl.Date)
        for end, default in enumerate((first, last))
    )
    days = adjacent.select("day").with_columns(first=shop_first, last=shop_last)
    return days.select(_days_within(pl.col("first"), pl.col("last"))).to_series()


def _days_within(first: pl.Expr, last: pl.Expr) -> pl.Expr:
    return pl.when(pl.col("day") < first).then(0).otherwise(pl.max_horizontal(_days_to(last), 0))


def _is_return_counted() -> pl.Expr:
    """Whether the return was recorded in time and came before the brake was re-bled after a recall or check."""
    re_bled_first = (pl.col("re_bled_days") <= pl.col("back_days")).fill_null(False)
    return (pl.col("back_days") <= pl.col("observed_days")) & ~re_bled_first


def _end_of_risk() -> pl.Expr:
    """How time at risk ended; on the same day, events count in the order of `ENDS`."""
    days = {"re_bled": "re_bled_days", "return": "return_days", "next_bleed": "gap_days", "as_of": "observed_days"}
    first = pl.min_horizontal(*days.values())
    return pl.coalesce(pl.when(pl.col(column) == first).then(pl.lit(end)) for end, column in days.items())


def _next_bleed_days() -> pl.Expr:
    """Days to the brake's next bleed, not counting the repair of a return of this one.

    The first bleed on or after the day of a return, with none between, is that return's repair.
    """
    repaired = (pl.col("gap_days") >= pl.col("back_days")).fill_null(False)
    return pl.when(repaired).then(_days_to(pl.col("next_but_one_day"))).otherwise("gap_days")
