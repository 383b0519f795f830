"""The as-of date: a whole day that counts; the newest date of the log unless it is given."""

from __future__ import annotations

import datetime as dt

import polars as pl

from analysis.errors import UserError

GAP_DAYS = 60


def as_of_date(days: pl.Series, requested: dt.date | None) -> dt.date:
    """The as-of date of a log whose bleeds and returns stand on `days`.

    Raises
    ------
    UserError
        No date at all; a newest date more than 60 days after the one before it, which looks like a slip of the pen;
        a given date before every one of them.
    """
    known = days.drop_nulls().unique().sort()
    if requested is not None:
        if len(known) and requested < known[0]:
            raise UserError(
                "--as-of", f"{requested} is before all data", f"{known[0]} or later", "give the day the export was made"
            )
        return requested
    if not len(known):
        raise UserError("the dates", "no bleed or return has a readable date", "dates since 1990", "see set_aside.csv")
    newest = known[-1]
    if len(known) > 1 and (newest - known[-2]).days > GAP_DAYS:
        raise UserError(
            "the as-of date",
            f"the newest date is {newest}, the one before it {known[-2]}: more than {GAP_DAYS} days apart",
            "the day the export was made",
            f"say --as-of {known[-2]} if the last one is a slip, --as-of {newest} if it is right",
        )
    return newest
