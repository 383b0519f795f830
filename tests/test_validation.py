"""One question asked of all columns lets a table through where, and only where, pandera finds nothing amiss.

Source: pandera's own validation of the same frame.
"""

from __future__ import annotations

import inspect
from types import ModuleType

import pandera.polars as pa
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas import intermediate, log, outputs, validate_table
from schemas.field import schema_field


class Small(pa.DataFrameModel):
    class Config:
        strict = True

    share_fits = outputs.row_rule("share <= sure", pl.col("share") <= pl.col("sure"))

    key: str = schema_field("", required=True, unique=True)
    word: str = schema_field("", levels=("a", "b"))
    share: float = schema_field("", low=0, high=1)
    sure: float = schema_field("", low=0, required=True)
    count: int = schema_field("", low=0)
    tick: bool = schema_field("", required=True)


class Wide(Small):
    class Config:
        strict = False


GOOD = {"key": "k", "word": "a", "share": 0.5, "sure": 0.5, "count": 1, "tick": True}
NAN, LARGE = float("nan"), float("inf")
ROWS = st.fixed_dictionaries(
    {
        "key": st.sampled_from(["k", "l", "m", None]),
        "word": st.sampled_from(["a", "b", "c", None]),
        "share": st.sampled_from([0.0, 1.0, 1.5, -0.0, -1e-9, NAN, LARGE, None]),
        "sure": st.sampled_from([0.0, 2.0, -1.0, NAN, LARGE, None]),
        "count": st.sampled_from([0, 3, -1, None]),
        "tick": st.sampled_from([True, False, None]),
    }
)
KINDS = {name: column.dtype.type for name, column in Small.to_schema().columns.items()}


def fits(message) -> bool:
    try:
        message()
    except (ValueError, pa.errors.SchemaErrors):
        return False
    return True


def same(model: type[pa.DataFrameModel], frame: pl.DataFrame) -> bool:
    """Whether it fits, as both say."""
    by_us, by_pandera = fits(lambda: validate_table(model, frame)), fits(lambda: model.validate(frame, lazy=True))
    assert by_us == by_pandera
    return by_us


@given(st.lists(ROWS, max_size=3))
def test_rows_of_any_kind(rows) -> None:
    same(Small, pl.DataFrame(rows, schema=KINDS))


@pytest.mark.parametrize("name", list(GOOD))
def test_one_column_of_any_value_among_good_ones(name) -> None:
    values = {
        "key": [None],
        "word": ["c"],
        "share": [-1e-9, 1.5],
        "sure": [None, NAN, -1.0],
        "count": [-1],
        "tick": [None],
    }
    good = pl.DataFrame([GOOD], schema=KINDS)
    assert same(Small, good)
    for value in values[name]:
        assert not same(Small, good.with_columns(pl.Series(name, [value], KINDS[name])))


def test_a_rule_across_columns() -> None:
    good = pl.DataFrame([GOOD], schema=KINDS)
    assert not same(Small, good.with_columns(sure=pl.lit(0.4)))
    assert same(Small, good.with_columns(share=pl.lit(None, pl.Float64)))


def test_no_row_at_all_fits() -> None:
    assert same(Small, pl.DataFrame(schema=KINDS))


def test_a_key_that_comes_twice() -> None:
    assert not same(Small, pl.DataFrame([GOOD, GOOD], schema=KINDS))


def test_columns_missing_more_and_of_another_kind() -> None:
    good = pl.DataFrame([GOOD], schema=KINDS)
    more = good.with_columns(more=pl.lit(1))
    assert not same(Small, good.drop("tick"))
    assert not same(Small, more)
    assert same(Wide, more)
    assert not same(Wide, good.with_columns(pl.col("count").cast(pl.Float64)))
    assert same(Small, good.select(reversed(good.columns)))


def declared(module: ModuleType) -> list[type[pa.DataFrameModel]]:
    kinds = [kind for kind in vars(module).values() if inspect.isclass(kind) and issubclass(kind, pa.DataFrameModel)]
    return [kind for kind in kinds if kind.__module__ == module.__name__]


@pytest.mark.parametrize(
    "model", [*declared(log), *declared(outputs), *declared(intermediate)], ids=lambda m: m.__name__
)
def test_pandera_is_not_asked_where_a_table_fits(model, monkeypatch) -> None:
    frame = pl.DataFrame(schema={name: column.dtype.type for name, column in model.to_schema().columns.items()})
    monkeypatch.setattr(model, "validate", lambda *_, **__: pytest.fail("pandera was asked"))
    validate_table(model, frame)
