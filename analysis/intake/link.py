"""Returns, passes, and recalls and second checks, each with the bleed it belongs to."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake.mapping.table_map import FIELDS
from schemas import empty, validate_table
from schemas.intermediate import Links
from schemas.log import BRAKES, RETURN_REASONS, Comebacks, Sessions

FIELDS_FROM_PASSES = ("cycles", "volume_moved_ml", "bubbles_first", "bubbles_last")
TOLERANCE_ML = 1.0
"""Volumes that differ by no more agree (common practice, no source)."""
_EXAMPLES = 3
DONE = pl.col("done_on").is_not_null() & pl.col("outcome").is_not_null()
"""An action counts once it has a day and an outcome."""


def link_returns(
    sessions: DataFrame[Sessions], comebacks: DataFrame[Comebacks], rejected_ids: pl.Series
) -> DataFrame[Links]:
    """Find the bleed of each accepted return.

    If the return names an accepted bleed of its bike that is not later, that is the one. If the bleed it names was
    rejected, is of another bike or is later, the return stays unmatched. Otherwise it is the latest earlier bleed of
    the same bike and brake, or, if the return names no brake, of the same bike, provided only one of its brakes had
    been bled. With times on both sides, earlier means not after that time; else not after that day, but a bleed of that
    day may be the repair of this return. It is, if it was done for a comeback or a soft lever; if its reason is not
    recorded, it is taken to be where the brake had been bled before that day. The rows are accepted ones;
    `rejected_ids` are of bleeds that were rejected.

    Returns
    -------
    DataFrame[Links]
        One row per return, sorted by comeback_id.
    """
    if comebacks.is_empty():
        return empty(Links)
    has_return = pl.col("bike_id").is_in(comebacks["bike_id"].implode())
    is_named = pl.col("session_id").is_in(comebacks["session_id"].drop_nulls().implode())
    bleeds = (
        sessions.select("session_id", "bike_id", "brake", "started_at", "started_at_has_time", "job_reason")
        .filter(has_return | is_named)
        .select(
            "bike_id",
            "brake",
            bleed="session_id",
            time=pl.col("started_at"),
            day=pl.col("started_at").dt.date(),
            timed=pl.col("started_at_has_time"),
            repair=pl.col("job_reason").is_in(RETURN_REASONS),
        )
        .sort("time", "bleed")
    )
    returns = comebacks.select(
        "comeback_id",
        "bike_id",
        "brake",
        named_bleed="session_id",
        time=_latest_time(),
        day_back=pl.col("returned_at").dt.date(),
        back_timed=pl.col("returned_at_has_time"),
    )
    by_id = _returns_naming_a_bleed(bleeds, returns)
    matched_by_id = by_id.filter("agrees")
    names_rejected = returns.filter(
        pl.col("named_bleed").is_in(rejected_ids.implode()),
        ~pl.col("comeback_id").is_in(by_id.get_column("comeback_id").implode()),
    )
    decided = pl.concat([by_id.get_column("comeback_id"), names_rejected.get_column("comeback_id")])
    undecided = returns.filter(~pl.col("comeback_id").is_in(decided.implode())).sort("time", "comeback_id")
    matches = pl.concat([matched_by_id.select("comeback_id", "bleed"), _latest_bleed(bleeds, undecided)])
    table = returns.select("comeback_id", "day_back").join(matches, on="comeback_id", how="left")
    table = table.join(bleeds.select("bleed", "day"), on="bleed", how="left")
    days = (pl.col("day_back") - pl.col("day")).dt.total_days()
    return validate_table(Links, table.select("comeback_id", session_id="bleed", days=days).sort("comeback_id"))


def _latest_time() -> pl.Expr:
    """The time of the return, or the end of its day if no time was recorded: every bleed of that day is then earlier.

    A bleed without a time counts from the beginning of its day, so it is earlier than any time of that day.
    """
    end_of_day = pl.col("returned_at").dt.truncate("1d") + pl.duration(days=1, microseconds=-1)
    return pl.when(pl.col("returned_at_has_time")).then(pl.col("returned_at")).otherwise(end_of_day)


def _returns_naming_a_bleed(bleeds: pl.DataFrame, returns: pl.DataFrame) -> pl.DataFrame:
    """Returns that name an accepted bleed, and whether bike and time agree with it."""
    with_bleed = returns.filter(pl.col("named_bleed").is_not_null()).join(
        bleeds.select("bleed", bled_bike="bike_id", bled_at="time"),
        left_on="named_bleed",
        right_on="bleed",
        how="inner",
    )
    agrees = (pl.col("bled_bike") == pl.col("bike_id")) & (pl.col("bled_at") <= pl.col("time"))
    return with_bleed.select("comeback_id", bleed="named_bleed", agrees=agrees)


def _latest_bleed(bleeds: pl.DataFrame, returns: pl.DataFrame) -> pl.DataFrame:
    """The latest earlier bleed of the bike and brake; without a brake, only if one brake alone has an earlier bleed."""
    with_brake = returns.filter(pl.col("brake").is_not_null())
    without_brake = returns.filter(pl.col("brake").is_null()).drop("brake")
    of_each_brake = pl.concat(
        _latest_of_brake(bleeds.filter(pl.col("brake") == brake), without_brake, ["bike_id"]) for brake in BRAKES
    )
    only_brake = of_each_brake.filter(~pl.col("comeback_id").is_duplicated())
    return pl.concat([_latest_of_brake(bleeds, with_brake, ["bike_id", "brake"]), only_brake])


def _latest_of_brake(bleeds: pl.DataFrame, returns: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """The latest earlier bleed that is not the repair of the return (comeback_id, bleed)."""
    of_earlier_days = (
        returns.select("comeback_id", *by, time=pl.col("time").dt.truncate("1d") - pl.duration(microseconds=1))
        .join_asof(bleeds.select(*by, "time", "bleed"), on="time", by=by, strategy="backward", check_sortedness=False)
        .select("comeback_id", before="bleed")
    )
    returns = returns.select("comeback_id", *by, "time", "day_back", "back_timed")
    latest = returns.join_asof(bleeds, on="time", by=by, strategy="backward", check_sortedness=False)
    unclear = (pl.col("day") == pl.col("day_back")) & ~(pl.col("timed") & pl.col("back_timed")).fill_null(False)
    bleed = (
        pl.when(unclear & pl.col("repair"))
        .then("before")
        .when(unclear & pl.col("repair").is_null())
        .then(pl.coalesce("before", "bleed"))
        .otherwise("bleed")
    )
    matches = latest.join(of_earlier_days, on="comeback_id", how="left").select("comeback_id", bleed=bleed)
    return matches.filter(pl.col("bleed").is_not_null())


@dataclass(frozen=True)
class FilledBleeds:
    """Bleeds with fields filled from their passes, and warnings where the two disagree."""

    sessions: pl.DataFrame
    warnings: tuple[str, ...]


def fill_from_passes(sessions: pl.DataFrame, passes: pl.DataFrame) -> FilledBleeds:
    """Fill empty cycles, volume_moved_ml, bubbles_first and bubbles_last from the passes of the bleed.

    A cycle is one pass down and one up, in the order of the passes; the bubbles of the first and last cycle are the sums
    over their two passes. If the number of passes is odd, the last two count as the last cycle, with a warning. A field
    stays empty if one of its passes is not recorded or the sum is outside the field's limits. What the bleed itself says
    is never overwritten.
    """
    if passes.is_empty():
        return FilledBleeds(sessions, ())
    totals = sessions.select("session_id").join(
        _pass_totals(passes), on="session_id", how="left", maintain_order="left"
    )
    warnings = [*_unmatched_pass_warnings(sessions, passes), *_unpaired_pass_warnings(passes)]
    ids = sessions.get_column("session_id")
    for name in FIELDS_FROM_PASSES:
        entry, recorded, total = FIELDS["sessions"][name], sessions.get_column(name), totals.get_column(name)
        difference = (recorded.cast(pl.Float64) - total.cast(pl.Float64)).abs()
        differs = (difference > (TOLERANCE_ML if name == "volume_moved_ml" else 0)).fill_null(False)
        if differs.any():
            warnings.append(f"{_bleed_list_text(ids.filter(differs))} where {name} differs from the sum of the passes")
        outside = (~total.is_between(entry.low, entry.high)).fill_null(False)
        if outside.any():
            totals = totals.with_columns(pl.when(~pl.lit(outside)).then(pl.col(name)).alias(name))
            warnings.append(
                f"{_bleed_list_text(ids.filter(outside))} whose passes add up to a {name} outside {entry.range}; not filled in"
            )
    columns = [pl.coalesce(pl.col(name), pl.lit(totals.get_column(name))).alias(name) for name in FIELDS_FROM_PASSES]
    return FilledBleeds(sessions.with_columns(columns), tuple(warnings))


def _unmatched_pass_warnings(sessions: pl.DataFrame, passes: pl.DataFrame) -> list[str]:
    unmatched = passes.join(sessions.select("session_id"), on="session_id", how="anti")
    if unmatched.is_empty():
        return []
    ids = _listed(unmatched.get_column("session_id").unique(maintain_order=True))
    if unmatched.height == 1:
        return [f"1 pass belongs to a bleed that is not in the log or was rejected: {ids}"]
    return [f"{unmatched.height:,} passes belong to bleeds that are not in the log or were rejected: {ids}"]


def _unpaired_pass_warnings(passes: pl.DataFrame) -> list[str]:
    """Warn of an odd number of passes, or of unequal numbers down and up where every direction is recorded."""
    down, up = ((pl.col("direction") == way).sum() for way in ("down", "up"))
    uneven = (pl.len() % 2 == 1) | ((pl.col("direction").null_count() == 0) & (down != up))
    ids = passes.group_by("session_id").agg(uneven=uneven).filter("uneven").get_column("session_id").sort()
    if ids.is_empty():
        return []
    return [
        f"{_bleed_list_text(ids)} where the passes down and up do not pair up; only full pairs are counted, and the last two "
        "passes count as the last pair"
    ]


def _bleed_list_text(ids: pl.Series) -> str:
    return f"{len(ids):,} bleed{'' if len(ids) == 1 else 's'} ({_listed(ids)})"


def _listed(ids: pl.Series) -> str:
    return ", ".join(map(repr, ids[:_EXAMPLES])) + (" …" if len(ids) > _EXAMPLES else "")


def _pass_totals(passes: pl.DataFrame) -> pl.DataFrame:
    in_order = passes.sort("session_id", "pass_no")
    bubbles, ml = pl.col("bubbles"), pl.col("ml")
    down, up = ((pl.col("direction") == way).sum() for way in ("down", "up"))
    pairs = pl.when(pl.col("direction").null_count() > 0).then(pl.len() // 2).otherwise(pl.min_horizontal(down, up))
    return in_order.group_by("session_id", maintain_order=True).agg(
        cycles=pairs.cast(pl.Int64),
        volume_moved_ml=pl.when(ml.null_count() == 0).then(ml.sum()),
        bubbles_first=pl.when(bubbles.head(2).null_count() == 0).then(bubbles.head(2).sum()),
        bubbles_last=pl.when(bubbles.tail(2).null_count() == 0).then(bubbles.tail(2).sum()),
    )


@dataclass(frozen=True)
class MatchedActions:
    """The actions with the bleed of each that can be matched, and warnings."""

    actions: pl.DataFrame
    warnings: tuple[str, ...]


def match_actions(sessions: pl.DataFrame, actions: pl.DataFrame) -> MatchedActions:
    """Fill in the bleed of each action that names none: the brake's latest bleed up to the day it was done.

    An action that names a bleed which is not in the log keeps no bleed. Rows with a day but no outcome, or an outcome but
    no day, are kept as still to do.
    """
    if actions.is_empty():
        return MatchedActions(actions, ())
    day = pl.coalesce("done_on", "bled_on")
    bleeds = sessions.select("bike_id", "brake", bleed="session_id", bled=pl.col("started_at").dt.date())
    unnamed = actions.filter(pl.col("session_id").is_null(), pl.col("bike_id").is_not_null()).with_columns(bled=day)
    latest = (
        unnamed.select("action_id", "bike_id", "brake", "bled")
        .drop_nulls("bled")
        .sort("bled")
        .join_asof(
            bleeds.sort("bled", "bleed"),
            on="bled",
            by=["bike_id", "brake"],
            strategy="backward",
            check_sortedness=False,
        )
    )
    in_log = pl.col("session_id").is_in(sessions.get_column("session_id").implode())
    matched = actions.join(latest.select("action_id", "bleed"), on="action_id", how="left", maintain_order="left")
    matched = matched.with_columns(session_id=pl.coalesce(pl.when(in_log).then("session_id"), "bleed")).drop("bleed")
    return MatchedActions(matched, _action_warnings(matched))


def _action_warnings(actions: pl.DataFrame) -> tuple[str, ...]:
    half = pl.col("done_on").is_null() != pl.col("outcome").is_null()
    counts = (
        (actions.filter(half).height, "a date but no outcome, or an outcome but no date: counted as still to do"),
        (actions.filter(DONE, pl.col("session_id").is_null()).height, "no bleed of that brake in the log: not counted"),
    )
    return tuple(f"recalls and second checks: {n} with {what}" for n, what in counts if n)
