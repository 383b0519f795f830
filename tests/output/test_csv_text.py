"""Cells of written tables are safe and readable for spreadsheets and programs."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import re

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.intake import guard_formulas, remove_guards
from analysis.output import csv_text


def cells(values: list[object], kind: pl.DataType | type[pl.DataType]) -> list[str]:
    table = pl.DataFrame({"key": range(len(values)), "x": pl.Series(values, dtype=kind)})
    lines = list(csv.reader(io.StringIO(csv_text(table), newline="")))
    return [line[1] for line in lines[1:]]


def test_missing_is_empty_and_booleans_are_words() -> None:
    assert cells([True, False, None], pl.Boolean) == ["true", "false", ""]


def test_nan_and_infinity_are_never_written() -> None:
    assert cells([math.nan, math.inf, -math.inf, 1.5], pl.Float64) == ["", "", "", "1.5"]


def test_a_number_keeps_twelve_significant_digits() -> None:
    assert cells([1 / 3, 2e-7 / 3, 1e15, -0.0], pl.Float64) == ["0.333333333333", "6.66666666667e-08", "1e+15", "0"]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**9), 10**9).map(float), min_size=1))
def test_numbers_are_written_as_python_writes_twelve_digits(values: list[float]) -> None:
    for value, cell in zip(values, cells(list(values), pl.Float64), strict=True):
        result = f"{value:.12g}"
        # a half in the thirteenth digit may go either way: it is within a double's own error
        assert cell == ("0" if value == 0 else result) or abs(float(cell) - value) <= 0.50001 * 10.0 ** place(result)


def place(result: str) -> int:
    """The decimal exponent of the last of twelve digits."""
    return math.floor(math.log10(abs(float(result)))) - 11


def test_many_numbers_keep_the_form_they_have_in_python() -> None:
    rng = np.random.default_rng(8)
    values = [
        0.5,
        1e-4,
        99999999999.9,
        1e11,
        123456.0,
        *(rng.normal(size=2000) * 10 ** rng.uniform(-9, 14, 2000)).tolist(),
    ]
    assert cells(values, pl.Float64) == [f"{value:.12g}" for value in values]


def test_a_date_is_iso() -> None:
    assert cells([dt.date(2026, 3, 9)], pl.Date) == ["2026-03-09"]


@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+cmd", "-x", "\tx", "\rx", '=HYPERLINK("a")'])
def test_a_text_that_a_spreadsheet_would_run_gets_an_apostrophe(text: str) -> None:
    assert cells([text], pl.String) == ["'" + text]


@pytest.mark.parametrize("text", ["x;1+1", "x\t1+1", "x,=1+1", "x\n1+1"])
def test_a_text_with_any_separator_is_in_quotes(text: str) -> None:
    assert csv_text(pl.DataFrame({text: [text]})) == f'"{text}"\n"{text}"\n'


@pytest.mark.parametrize("separator", [";", "\t", "\n"])
@pytest.mark.parametrize("formula", ["=1+1", "@SUM(A1)", '"=1"', "'=1"])
def test_a_formula_after_a_separator_gets_an_apostrophe(separator: str, formula: str) -> None:
    """A spreadsheet that takes the semicolon for the separator sees no quotes that begin before it."""
    assert cells([f"x{separator}{formula}"], pl.String) == [f"x{separator}'{formula}"]


@pytest.mark.parametrize("text", ["-5", "+3.2", "-1e3", "a=b", "plain", 'é;"x"\nline'])
def test_any_other_text_is_unchanged(text: str) -> None:
    assert cells([text], pl.String) == [text]


NEAR_FORMULAS = st.text(alphabet="'\"=+-@\t\r\n;,1.e a", max_size=8)


@given(st.lists(NEAR_FORMULAS | st.text(alphabet=st.characters(exclude_categories=["Cs"])), min_size=1, max_size=5))
def test_any_text_is_read_back_as_it_was(texts: list[str]) -> None:
    in_file = cells(list(texts), pl.String)
    assert remove_guards(pl.Series(in_file)).to_list() == texts
    for text, cell in zip(texts, in_file, strict=True):
        assert re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", cell) or not re.search(
            r"^[=+\-@\t\r]|[;\t\r\n]\"*[=+\-@]", cell
        )
        assert cell == text or re.search(r"^'*[=+\-@\t\r]|[;\t\r\n]['\"]*[=+\-@]", text)


@given(NEAR_FORMULAS)
def test_a_guarded_text_guarded_again_loses_one_guard_at_a_time(text: str) -> None:
    once = pl.DataFrame({"x": [text]}).select(guard_formulas(pl.col("x")))
    twice = once.select(guard_formulas(pl.col("x")))
    assert remove_guards(twice["x"]).to_list() == once["x"].to_list()
