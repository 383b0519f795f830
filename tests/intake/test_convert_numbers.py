"""Numbers, units, and conversion at the precision in which a reading was written."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.intake.convert.columns import convert
from analysis.intake.convert.numbers import FLUID_OUNCE_ML, INCH_MM, INCH_POUND_NM, NumberFormat, parse_numbers
from analysis.intake.mapping.table_map import ColumnMap, TableMap
from tests.intake.raw_tables import raw


def read(field, cells, unit=None, **section):
    table_map = TableMap("sessions", (ColumnMap(field, "x", unit),), **section)
    return convert(raw({"x": cells}), table_map)


def values(field, cells, unit=None, **section):
    return read(field, cells, unit, **section).frame[field].to_list()


@pytest.mark.parametrize(
    ("cell", "decimal", "number"),
    [
        ("1.5", ".", 1.5),
        ("2,5", ",", 2.5),
        ("1.234,5", ",", 1234.5),
        ("1,234.5", ".", 1234.5),
        ("1 234,5", ",", 1234.5),
        ("1\u00a0234,5", ",", 1234.5),
        ("1\u202f234,5", ",", 1234.5),
        ("1'234.5", ".", 1234.5),
        ("1’234.5", ".", 1234.5),
        ("1.234", ",", 1234.0),
        ("1,234", ".", 1234.0),
        ("0,125", ".", 0.125),
        ("−3", ".", -3.0),
        ("+3", ".", 3.0),
        ("3.", ".", 3.0),
        (".5", ".", 0.5),
        ("1e3", ".", 1000.0),
        (" 7 ", ".", 7.0),
    ],
)
def test_a_number_is_read_with_its_decimal_and_thousands_marks(cell, decimal, number):
    assert values("hose_mm", [cell], decimal=decimal) == [number]


@pytest.mark.parametrize("cell", ["inf", "-inf", "x", "?", "1.2.3", "1,2,3", "12 kg", "1 2", "--", "twelve", "1/2"])
def test_a_cell_that_is_not_a_number_is_reported_unchanged(cell):
    result = read("hose_mm", [cell])
    assert result.frame["hose_mm"].to_list() == [None]
    assert result.faults.select("column", "heading", "rule", "value").rows() == [("hose_mm", "x", "unreadable", cell)]


@pytest.mark.parametrize("cell", [None, "", "  ", "-", "–", "n/a", "NA", "n.r.", "K.A.", "null", "None", "NaN"])
def test_a_word_for_a_missing_value_is_not_a_fault(cell):
    result = read("hose_mm", [cell, "900"])
    assert result.frame["hose_mm"].to_list() == [None, 900.0]
    assert result.faults.is_empty()


def test_without_evidence_a_comma_is_unread_and_a_point_decimal():
    assert values("hose_mm", ["1,234"]) == [None]
    assert values("hose_mm", ["1.234"]) == [1.234]


def test_other_cells_of_the_column_decide_the_decimal_mark():
    assert values("hose_mm", ["1,234", "2,5"]) == [1.234, 2.5]
    assert values("hose_mm", ["1,234", "2.5"]) == [1234.0, 2.5]


def test_two_point_zero_is_a_whole_number_and_two_and_a_half_is_not():
    result = read("cycles", ["2", "2.0", "2.5"])
    assert result.frame["cycles"].to_list() == [2, 2, None]
    assert result.faults["value"].to_list() == ["2.5"]


def test_words_and_numbers_for_missing_values_in_the_map_are_used():
    result = read("hose_mm", ["999", "999.0", "entfällt", "800"], missing=("999", "ENTFÄLLT"))
    assert result.frame["hose_mm"].to_list() == [None, None, None, 800.0]
    assert result.faults.is_empty()


def test_a_unit_written_in_the_cell_overrides_that_of_the_map():
    assert values("hose_mm", ["90", "900 mm", "0.9 m"], "cm") == [900.0, 900.0, 900.0]


def test_a_unit_of_another_kind_is_not_read():
    assert values("hose_mm", ["90 ml", "75 %"]) == [None, None]


# 1 in = 25.4 mm exactly; 1 lbf·in = 0.1129848 N·m; 1 US fl oz = 29.57353 ml: NIST Special Publication 811 (2008),
# appendix B.8, quoted from memory to the digits printed there.
def test_factors_are_those_of_the_published_table():
    assert INCH_MM == 25.4
    assert pytest.approx(0.1129848, abs=5e-8) == INCH_POUND_NM  # printed to seven decimals
    assert pytest.approx(29.57353, abs=5e-6) == FLUID_OUNCE_ML  # printed to five decimals


@pytest.mark.parametrize(
    ("field", "unit", "cell", "value"),
    [
        ("hose_mm", "cm", "98.5", 985.0),
        ("hose_mm", "m", "1.05", 1050.0),
        ("lever_syringe_fill", "percent", "75", 0.75),
        ("lever_syringe_fill", "percent", "7", 0.07),
        ("settle_minutes", "s", "90", 1.5),
        ("settle_minutes", "h", "2", 120.0),
        ("shop_temp_c", "f", "68", 20.0),
        ("lever_port_nm", "in_lb", "10.6", 1.2),
        ("lever_port_nm", "in_lb", "10.5", 1.19),
        ("lever_port_nm", "in_lb", "17.7", 2.0),
        ("lever_port_nm", "in_lb", "17.8", 2.01),
        ("lever_reach_mm", "in", "2.95", 75.0),
        ("lever_reach_mm", "in", "2.94", 74.7),
        ("lever_reach_mm", "in", "3.0", 75.0),
        ("lever_reach_mm", "in", "3.15", 80.0),
        ("lever_reach_mm", "in", "3.16", 80.3),
    ],
)
def test_a_converted_reading_keeps_the_precision_in_which_it_was_written(field, unit, cell, value):
    assert values(field, [cell], unit) == [pytest.approx(value, rel=1e-12)]  # decimal fractions in binary


def test_a_final_zero_dropped_by_a_workbook_is_restored():
    assert values("lever_reach_mm", ["3", "3.1", "2.9"], "in") == values("lever_reach_mm", ["3.0", "3.1", "2.9"], "in")


def test_repeating_the_rows_does_not_change_a_conversion():
    readings = ["3", "3.1", "3.1", "2.95"]
    assert values("lever_reach_mm", readings * 5, "in") == values("lever_reach_mm", readings, "in") * 5


@given(st.integers(10, 40), st.integers(1, 2))
def test_a_round_limit_is_met_by_its_own_reading_in_inch_pounds(tenths, decimals):
    limit = tenths / 10
    text = f"{limit / INCH_POUND_NM:.{decimals}f}"
    assert values("lever_port_nm", [text], "in_lb") == [pytest.approx(limit, rel=1e-12)]


@given(st.lists(st.floats(5, 200), min_size=2, max_size=20, unique_by=lambda x: round(x, 1)))
def test_rounding_keeps_the_order_of_readings(numbers):
    readings = sorted({round(x, 1) for x in numbers})
    converted = values("lever_port_nm", [f"{x:.1f}" for x in readings], "in_lb")
    assert converted == sorted(converted)


@given(st.floats(-1e6, 1e6, allow_nan=False), st.sampled_from([".", ","]))
def test_every_number_python_writes_is_read_back(number, decimal):
    text = f"{number:.6f}".replace(".", decimal)
    read_back = parse_numbers(raw({"x": [text]}).cells["x"], NumberFormat(decimal))["number"][0]
    assert math.isclose(read_back, round(number, 6), abs_tol=1e-9)  # six decimals were written


def test_typed_columns_are_kept():
    assert values("hose_mm", [900.0, None, float("nan"), float("inf")]) == [900.0, None, None, None]
    assert values("cycles", [2, 3, None]) == [2, 3, None]


def test_headings_that_are_not_mapped_are_listed():
    table_map = TableMap("sessions", (ColumnMap("cycles", "x"),))
    assert convert(raw({"x": ["1"], "Kasse": ["9"]}), replace(table_map)).unmapped == ("Kasse",)
