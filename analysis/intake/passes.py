"""What pass-by-pass notes tell of a bleed: empty fields are filled from them, a contradiction is told."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analysis.intake.mapping.table_map import FIELDS

FILLED = ("cycles", "volume_moved_ml", "bubbles_first", "bubbles_last")
CLOSE_ML = 1.0


@dataclass(frozen=True)
class FilledBleeds:
    """Bleeds with the fields their passes tell, and what the two say differently, in words."""

    sessions: pl.DataFrame
    warnings: tuple[str, ...]


def fill_from_passes(sessions: pl.DataFrame, passes: pl.DataFrame) -> FilledBleeds:
    """Empty cycles, volume_moved_ml, bubbles_first and bubbles_last, from the passes of the bleed.

    A cycle is one pass down and one up: cycles are the pairs, in pass order; bubbles of the first and of the last cycle
    are the sums of its two passes; where their number is odd, which is told, the last two passes stand for the last cycle.
    A field with any of its passes not recorded stays empty; what the bleed says itself
    is never overwritten, and what its passes add up to is left out where the field could not hold it.
    """
    if passes.is_empty():
        return FilledBleeds(sessions, ())
    totals = sessions.select("session_id").join(
        _pass_totals(passes), on="session_id", how="left", maintain_order="left"
    )
    warnings = [*_without_a_bleed(sessions, passes), *_half_cycles(passes)]
    for name in FILLED:
        ours, theirs = sessions.get_column(name), totals.get_column(name)
        apart = (ours.cast(pl.Float64) - theirs.cast(pl.Float64)).abs() > (CLOSE_ML if name == "volume_moved_ml" else 0)
        if apart.fill_null(False).any():
            ids = sessions.get_column("session_id").filter(apart.fill_null(False))
            warnings.append(
                f"{len(ids)} bleeds say {name} otherwise than their passes, among them {', '.join(map(repr, ids[:3]))}"
            )
        beyond = ~theirs.is_between(FIELDS["sessions"][name].low, FIELDS["sessions"][name].high)
        if beyond.fill_null(False).any():
            ids = sessions.get_column("session_id").filter(beyond.fill_null(False))
            totals = totals.with_columns(pl.when(~pl.lit(beyond)).then(pl.col(name)).alias(name))
            warnings.append(
                f"{len(ids)} bleeds have passes whose {name} is outside {FIELDS['sessions'][name].range} and is not "
                f"filled in, among them {', '.join(map(repr, ids[:3]))}"
            )
    columns = [pl.coalesce(pl.col(name), pl.lit(totals.get_column(name))).alias(name) for name in FILLED]
    return FilledBleeds(sessions.with_columns(columns), tuple(warnings))


def _without_a_bleed(sessions: pl.DataFrame, passes: pl.DataFrame) -> list[str]:
    alone = passes.join(sessions.select("session_id"), on="session_id", how="anti")
    if alone.is_empty():
        return []
    ids = alone.get_column("session_id").unique(maintain_order=True)
    passes_name = "1 pass names a bleed" if alone.height == 1 else f"{alone.height:,} passes name bleeds"
    return [f"{passes_name} not among the accepted ones: {', '.join(map(repr, ids[:3]))}{' …' if len(ids) > 3 else ''}"]


def _half_cycles(passes: pl.DataFrame) -> list[str]:
    """Bleeds whose passes do not pair into cycles: an odd number, or not as many up as down where each says which."""
    down, up = ((pl.col("direction") == way).sum() for way in ("down", "up"))
    uneven = (pl.len() % 2 == 1) | ((pl.col("direction").null_count() == 0) & (down != up))
    ids = passes.group_by("session_id").agg(uneven=uneven).filter("uneven").get_column("session_id").sort()
    if ids.is_empty():
        return []
    bleeds_have = "1 bleed has" if len(ids) == 1 else f"{len(ids):,} bleeds have"
    return [
        f"{bleeds_have} passes that do not pair into full cycles; only full ones are counted, and the last two passes "
        f"stand for the last cycle: {', '.join(map(repr, ids[:3]))}{' …' if len(ids) > 3 else ''}"
    ]


def _pass_totals(passes: pl.DataFrame) -> pl.DataFrame:
    passes_in_order = passes.sort("session_id", "pass_no")
    bubbles, ml = pl.col("bubbles"), pl.col("ml")
    pairs = pl.when(pl.col("direction").null_count() > 0).then(pl.len() // 2)
    down, up = ((pl.col("direction") == way).sum() for way in ("down", "up"))
    return passes_in_order.group_by("session_id", maintain_order=True).agg(
        cycles=pairs.otherwise(pl.min_horizontal(down, up)).cast(pl.Int64),
        volume_moved_ml=pl.when(ml.null_count() == 0).then(ml.sum()),
        bubbles_first=pl.when(bubbles.head(2).null_count() == 0).then(bubbles.head(2).sum()),
        bubbles_last=pl.when(bubbles.tail(2).null_count() == 0).then(bubbles.tail(2).sum()),
    )
