"""Fill fields of a bleed from its pass-by-pass notes, and report where the two disagree."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analysis.intake.mapping.table_map import FIELDS

FIELDS_FROM_PASSES = ("cycles", "volume_moved_ml", "bubbles_first", "bubbles_last")
TOLERANCE_ML = 1.0
"""Volumes that differ by no more agree (common practice, no source)."""
_EXAMPLES = 3


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
    warnings = [*_without_a_bleed(sessions, passes), *_unpaired(passes)]
    ids = sessions.get_column("session_id")
    for name in FIELDS_FROM_PASSES:
        entry, recorded, total = FIELDS["sessions"][name], sessions.get_column(name), totals.get_column(name)
        difference = (recorded.cast(pl.Float64) - total.cast(pl.Float64)).abs()
        differs = (difference > (TOLERANCE_ML if name == "volume_moved_ml" else 0)).fill_null(False)
        if differs.any():
            warnings.append(f"{_bleeds(ids.filter(differs))} where {name} differs from the sum of the passes")
        outside = (~total.is_between(entry.low, entry.high)).fill_null(False)
        if outside.any():
            totals = totals.with_columns(pl.when(~pl.lit(outside)).then(pl.col(name)).alias(name))
            warnings.append(
                f"{_bleeds(ids.filter(outside))} whose passes add up to a {name} outside {entry.range}; not filled in"
            )
    columns = [pl.coalesce(pl.col(name), pl.lit(totals.get_column(name))).alias(name) for name in FIELDS_FROM_PASSES]
    return FilledBleeds(sessions.with_columns(columns), tuple(warnings))


def _without_a_bleed(sessions: pl.DataFrame, passes: pl.DataFrame) -> list[str]:
    unmatched = passes.join(sessions.select("session_id"), on="session_id", how="anti")
    if unmatched.is_empty():
        return []
    ids = _listed(unmatched.get_column("session_id").unique(maintain_order=True))
    if unmatched.height == 1:
        return [f"1 pass belongs to a bleed that is not in the log or was rejected: {ids}"]
    return [f"{unmatched.height:,} passes belong to bleeds that are not in the log or were rejected: {ids}"]


def _unpaired(passes: pl.DataFrame) -> list[str]:
    """Warn of an odd number of passes, or of unequal numbers down and up where every direction is recorded."""
    down, up = ((pl.col("direction") == way).sum() for way in ("down", "up"))
    uneven = (pl.len() % 2 == 1) | ((pl.col("direction").null_count() == 0) & (down != up))
    ids = passes.group_by("session_id").agg(uneven=uneven).filter("uneven").get_column("session_id").sort()
    if ids.is_empty():
        return []
    return [
        f"{_bleeds(ids)} where the passes down and up do not pair; only full pairs are counted, and the last two "
        "passes count as the last pair"
    ]


def _bleeds(ids: pl.Series) -> str:
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
