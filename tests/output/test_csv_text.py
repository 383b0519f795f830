"""Cells of a written table: what any spreadsheet or program may be given."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.output import csv_text


def cells(values: list[object], kind: pl.DataType | type[pl.DataType]) -> list[str]:
    table = pl.DataFrame({"key": range(len(values)), "x": pl.Series(values, dtype=kind)})
    lines = list(csv.reader(io.StringIO(csv_text(table), newline="")))
    return [line[1] for line in lines[1:]]


def test_missing_is_empty_and_truth_is_a_word() -> None:
    assert cells([True, False, None], pl.Boolean) == ["true", "false", ""]


def test_nan_and_infinity_are_never_written() -> None:
    assert cells([math.nan, math.inf, -math.inf, 1.5], pl.Float64) == ["", "", "", "1.5"]


def test_a_number_keeps_twelve_significant_digits() -> None:
    assert cells([1 / 3, 2e-7 / 3, 1e15, -0.0], pl.Float64) == ["0.333333333333", "6.66666666667e-08", "1e+15", "0"]


def test_a_date_is_iso() -> None:
    assert cells([dt.date(2026, 3, 9)], pl.Date) == ["2026-03-09"]


@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+cmd", "-x", "\tx", "\rx", '=HYPERLINK("a")'])
def test_a_text_that_a_spreadsheet_would_run_gets_an_apostrophe(text: str) -> None:
    assert cells([text], pl.String) == ["'" + text]


@pytest.mark.parametrize("text", ["-5", "+3.2", "-1e3", "a=b", "plain", 'é;"x"\nline'])
def test_any_other_text_stays_as_it_is(text: str) -> None:
    assert cells([text], pl.String) == [text]


@given(st.lists(st.text(alphabet=st.characters(exclude_categories=["Cs"])), min_size=1, max_size=5))
def test_any_text_comes_back_whole_or_with_its_apostrophe(texts: list[str]) -> None:
    for text, cell in zip(texts, cells(list(texts), pl.String), strict=True):
        assert cell in (text, "'" + text)
        assert cell == text or text[0] in "=+-@\t\r"
