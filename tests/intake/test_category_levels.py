"""Levels and yes/no in the words of the log and of a map."""

from __future__ import annotations

import pytest

from analysis.intake.convert.columns import convert
from analysis.intake.mapping.table_map import ColumnMap, OwnColumn, TableMap
from tests.intake.raw_tables import raw


def read(field, cells, **section):
    return convert(raw({"x": cells}), TableMap("sessions", (ColumnMap(field, "x"),), **section))


def test_yes_and_no_are_read_in_any_case_and_as_numbers():
    cells = ["true", "YES", " y ", "1", "1.0", "False", "no", "N", "0", "0.0"]
    assert read("pads_out", cells).frame["pads_out"].to_list() == [True] * 5 + [False] * 5


@pytest.mark.parametrize("cells", [[True, False, None], [1, 0, None], [1.0, 0.0, None]])
def test_typed_yes_and_no_are_kept(cells):
    assert read("pads_out", cells).frame["pads_out"].to_list() == [True, False, None]


@pytest.mark.parametrize("cell", ["x", "?", "maybe", "2", "done"])
def test_an_unknown_word_is_a_fault_not_a_no(cell):
    result = read("pads_out", [cell])
    assert result.frame["pads_out"].to_list() == [None]
    assert result.faults.select("rule", "value").rows() == [("unreadable", cell)]


def test_levels_match_with_space_or_hyphen_for_underscore():
    cells = ["Soft Lever", "soft-lever", "SOFT_LEVER", " scheduled "]
    assert read("job_reason", cells).frame["job_reason"].to_list() == ["soft_lever"] * 3 + ["scheduled"]


def test_an_unknown_level_is_reported():
    result = read("brake", ["front", "left"])
    assert result.faults.select("column", "rule", "value").rows() == [("brake", "unknown_level", "left")]


def test_words_of_the_map_are_added_to_those_of_the_log():
    result = read(
        "brake", ["Vorne", "v", "front", "HINTEN"], values={"brake": {"front": ("vorne", "v"), "rear": ("hinten",)}}
    )
    assert result.frame["brake"].to_list() == ["front", "front", "front", "rear"]


def test_a_map_can_give_a_meaning_to_a_missing_word_or_an_empty_cell():
    words = {"pads_out": {"true": ("x",), "false": ("-", "")}}
    result = read("pads_out", ["x", "-", "", None, "n/a"], values=words)
    assert result.frame["pads_out"].to_list() == [True, False, False, False, None]
    assert result.faults.is_empty()


def test_own_columns_are_read_by_their_type():
    own = (OwnColumn("grease_g", "Fett [g]", "number"), OwnColumn("tray", "Wanne", "true/false"))
    table_map = TableMap(
        "sessions", (ColumnMap("brake", "b"),), own=own, decimal=",", values={"own.tray": {"true": ("ja",)}}
    )
    result = convert(raw({"b": ["front"], "Fett [g]": ["1,5"], "Wanne": ["ja"]}), table_map)
    assert result.frame.select("own.grease_g", "own.tray").rows() == [(1.5, True)]


def test_text_loses_outer_spaces_and_a_whole_number_its_decimal_point():
    assert read("technician", ["  Wren ", "n/a"]).frame["technician"].to_list() == ["Wren", None]
    assert read("technician", [7.0, 8.0]).frame["technician"].to_list() == ["7", "8"]
