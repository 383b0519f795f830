"""Cells: what is read of a table, whole, in parts and with fields beside it."""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.risk.cells import Cells, in_parts

TABLE = pl.DataFrame(
    {"shop": ["b", None, "a", "b"], "firm": [True, None, False, True], "travel": [1.5, 2.0, None, 4.0]},
    schema={"shop": pl.String, "firm": pl.Boolean, "travel": pl.Float64},
)
ROWS = np.array([3, 1])


def test_numbers_and_ticks_are_empty_where_not_recorded() -> None:
    assert np.array_equal(Cells(TABLE).numbers("travel"), [1.5, 2.0, np.nan, 4.0], equal_nan=True)
    assert np.array_equal(Cells(TABLE).numbers("firm"), [1, np.nan, 0, 1], equal_nan=True)


def test_a_word_not_recorded_is_none_of_the_levels() -> None:
    shops = Cells(TABLE).words("shop")
    assert shops.levels == ("a", "b")
    assert [*shops.are("b")] == [1, 0, 0, 1]
    assert [*shops.are("elsewhere")] == [0, 0, 0, 0]
    assert [*Cells(TABLE).unrecorded("shop")] == [False, True, False, False]


def test_some_rows_read_as_a_table_of_these_rows_alone_would() -> None:
    some, alone = Cells(TABLE).some(ROWS), Cells(TABLE[ROWS])
    assert some.height == alone.height
    for name in ("firm", "travel"):
        assert np.array_equal(some.numbers(name), alone.numbers(name), equal_nan=True)
        assert np.array_equal(some.unrecorded(name), alone.unrecorded(name))
    assert np.array_equal(some.words("shop").are("b"), alone.words("shop").are("b"))


def test_fields_set_beside_stand_before_the_tables() -> None:
    for cells in (Cells(TABLE), Cells(TABLE).some(np.arange(4))):
        more = cells.beside({"travel": np.zeros(4), "expected": np.ones(4)})
        assert [*more.numbers("travel")] == [0, 0, 0, 0]
        assert "expected" in more.fields
        assert cells.numbers("travel")[0] == 1.5


def test_parts_are_all_the_rows_in_their_order() -> None:
    for whole in (TABLE, Cells(TABLE)):
        told = np.concatenate([part.numbers("travel") for part in in_parts(whole, 3)])
        assert np.array_equal(told, Cells(TABLE).numbers("travel"), equal_nan=True)
    assert [part.height for part in in_parts(TABLE.clear(), 3)] == [0]
