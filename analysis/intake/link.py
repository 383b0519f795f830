"""Which bleed each return answers to. A return that finds none is kept and counted as unlinked."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from schemas import empty, validate_table
from schemas.intermediate import Links
from schemas.log import BRAKES, Comebacks, Sessions


def links(sessions: DataFrame[Sessions], comebacks: DataFrame[Comebacks], set_aside_ids: pl.Series) -> DataFrame[Links]:
    """The bleed of each accepted return.

    A written session_id wins if it names an accepted bleed of that bike that is not later; one that names a bleed set
    aside, or contradicts bike or time, leaves the return unlinked; an unknown one counts as none. Else the latest
    earlier bleed of the same bike and brake; a return that names no brake only where one brake alone was bled before
    it. Earlier is an earlier moment where both have a time, else the same day or an earlier one.

    Parameters
    ----------
    sessions, comebacks
        Accepted rows.
    set_aside_ids
        Ids of bleeds that were set aside.

    Returns
    -------
    DataFrame[Links]
        One row a return, sorted by comeback_id.
    """
    if comebacks.is_empty():
        return empty(Links)
    bled = sessions.select(
        "bike_id", "brake", bleed="session_id", key=pl.col("started_at"), day=pl.col("started_at").dt.date()
    ).sort("key", "bleed")
    back = comebacks.select(
        "comeback_id",
        "bike_id",
        "brake",
        written="session_id",
        key=_latest_moment(),
        back=pl.col("returned_at").dt.date(),
    )
    by_id = _returns_naming_a_bleed(bled, back)
    refused = by_id.filter(pl.col("known") & ~pl.col("fits")).get_column("comeback_id")
    aside = back.filter(
        pl.col("written").is_in(set_aside_ids.implode()), ~pl.col("comeback_id").is_in(_ids(by_id, "known"))
    )
    unlinked = pl.concat([refused, aside.get_column("comeback_id")])
    by_name = by_id.filter("fits").select("comeback_id", "bleed")
    rest = back.filter(
        ~pl.col("comeback_id").is_in(unlinked.implode()), ~pl.col("comeback_id").is_in(_ids(by_id, "fits"))
    ).sort("key", "comeback_id")
    all_links = pl.concat([by_name, _latest_bleed(bled, rest)])
    table = back.select("comeback_id", "back").join(all_links, on="comeback_id", how="left")
    table = table.join(bled.select("bleed", "day"), on="bleed", how="left")
    days = (pl.col("back") - pl.col("day")).dt.total_days()
    return validate_table(Links, table.select("comeback_id", session_id="bleed", days=days).sort("comeback_id"))


def _latest_moment() -> pl.Expr:
    """The return's moment, or the end of its day where no hour was written: every bleed of that day is then earlier.

    A bleed without an hour stands at the beginning of its day, so it is earlier than any hour of that day.
    """
    end_of_day = pl.col("returned_at").dt.truncate("1d") + pl.duration(days=1, microseconds=-1)
    return pl.when(pl.col("returned_at_has_time")).then(pl.col("returned_at")).otherwise(end_of_day)


def _returns_naming_a_bleed(bled: pl.DataFrame, back: pl.DataFrame) -> pl.DataFrame:
    """Returns that name an accepted bleed, and whether bike and time agree with it."""
    with_id = back.filter(pl.col("written").is_not_null())
    joined = with_id.join(
        bled.rename({"bike_id": "bike", "key": "began"}), left_on="written", right_on="bleed", how="inner"
    )
    fits = (pl.col("bike") == pl.col("bike_id")) & (pl.col("began") <= pl.col("key"))
    return joined.select("comeback_id", bleed="written", known=pl.lit(True), fits=fits)


def _ids(returns: pl.DataFrame, mask: str) -> pl.Series:
    return returns.filter(mask).get_column("comeback_id").implode()


def _latest_bleed(bled: pl.DataFrame, back: pl.DataFrame) -> pl.DataFrame:
    with_brake = back.filter(pl.col("brake").is_not_null())
    same = with_brake.join_asof(bled, on="key", by=["bike_id", "brake"], strategy="backward", check_sortedness=False)
    without = back.filter(pl.col("brake").is_null()).drop("brake")
    each = [
        without.join_asof(
            bled.filter(pl.col("brake") == brake), on="key", by="bike_id", strategy="backward", check_sortedness=False
        ).select("comeback_id", "bleed")
        for brake in BRAKES
    ]
    one = pl.concat(each).filter(pl.col("bleed").is_not_null())
    only = one.filter(~pl.col("comeback_id").is_duplicated())
    return pl.concat([same.select("comeback_id", "bleed"), only]).filter(pl.col("bleed").is_not_null())
