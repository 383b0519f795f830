"""What arrives is what was sent, to the last digit of a sum; a long table travels once."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from analysis import packing
from analysis.packing import Handed, packed, unpacked

LONG = 200_000


def long_table(seed: int) -> pl.DataFrame:
    drawn = np.random.default_rng(seed).gamma(0.1, size=LONG)
    return pl.DataFrame({"a": drawn, "b": [f"no {row % 7}" if row % 5 else None for row in range(LONG)]})


def size(parts: list[packing.Part]) -> int:
    return sum(map(len, parts))


@pytest.mark.parametrize(
    "table",
    [
        pl.DataFrame(),
        pl.DataFrame(schema={"a": pl.Enum(["x"]), "b": pl.Categorical, "c": pl.Datetime("us"), "d": pl.List(pl.Int8)}),
        pl.DataFrame(
            {"a": [dt.date(2024, 2, 29), None], "b": [None, True], "c": ["", None], "d": [float("nan"), -0.0]}
        ),
        long_table(0),
    ],
)
def test_a_table_arrives_as_it_was(table: pl.DataFrame) -> None:
    arrived = unpacked(packed(table))
    assert_frame_equal(arrived, table)
    assert arrived.n_chunks() <= 1


def test_a_sum_there_is_the_sum_here_to_the_last_digit() -> None:
    table = long_table(1)
    assert unpacked(packed(table)).get_column("a").sum() == table.get_column("a").sum()


def test_a_long_table_travels_once() -> None:
    handed, table = Handed(), long_table(2)
    first = unpacked(packed({"table": table, "twice": table}, handed))
    again = packed([table], handed)
    assert first["table"] is first["twice"]
    assert size(again) < 1_000
    assert unpacked(again)[0] is first["table"]


def test_a_table_that_is_gone_is_let_go_there_too() -> None:
    handed, table = Handed(), long_table(3)
    unpacked(packed(table, handed))
    held = len(packing._kept)
    del table
    other = long_table(4)  # may well lie where the first one lay
    assert_frame_equal(unpacked(packed(other, handed)), other)
    assert len(packing._kept) == held


def test_nothing_is_kept_of_an_answer() -> None:
    held = len(packing._kept)
    unpacked(packed(long_table(5)))
    assert len(packing._kept) == held


def test_arrays_may_be_written_to_where_they_arrive() -> None:
    sent = np.arange(12.0).reshape(3, 4).T
    arrived = unpacked([bytearray(part) for part in packed(sent)])
    arrived += 1
    np.testing.assert_array_equal(arrived, sent + 1)
