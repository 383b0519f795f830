"""Which groups a chart has room for: a picture of thousands of rows tells nothing and takes minutes to draw."""

from __future__ import annotations

import polars as pl

MAX_GROUPS = 60
"""Rows of a chart; more are not told apart by eye."""


def most_telling(rates: pl.DataFrame) -> pl.DataFrame:
    """The groups shown, in the order of the table: first those with a signal, then those with most bleeds.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    """
    if rates.height <= MAX_GROUPS:
        return rates
    ranked = rates.with_row_index("place").with_columns(signalled=pl.col("signal").is_in(["high", "low"]))
    selected = ranked.sort("signalled", "mature", "place", descending=[True, True, False], nulls_last=True)
    return selected.head(MAX_GROUPS).sort("place").drop("place", "signalled")


def most_telling_people(technique: pl.DataFrame) -> pl.DataFrame:
    """The rows of the technicians shown: first those with steps clearly unlike their peers', then those with most bleeds.

    Parameters
    ----------
    technique
        Columns technician, recorded, lo and hi, as in `schemas.outputs.Technique`.
    """
    people = technique.group_by("technician").agg(
        clear=((pl.col("lo") > 0) | (pl.col("hi") < 0)).sum(), bleeds=pl.col("recorded").max()
    )
    if people.height <= MAX_GROUPS:
        return technique
    selected = people.sort("clear", "bleeds", "technician", descending=[True, True, False]).head(MAX_GROUPS)
    return technique.filter(pl.col("technician").is_in(selected.get_column("technician").to_list()))


def cut_words(rows: int, known: int, which: str) -> str:
    """What is said of a chart that shows some of its groups; nothing where it shows all."""
    return f"{rows} of {known:,}: {which}" if rows < known else ""
