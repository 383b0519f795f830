"""Levels and yes/no in the log's own words and in a map's."""

from __future__ import annotations

import pytest

from analysis.intake.convert.columns import convert
from analysis.intake.mapping.table_map import ColumnMap, OwnColumn, TableMap
from tests.intake.raw_tables import raw


def read(field, cells, **section):
    return convert(raw({"x": cells}), TableMap("sessions", (ColumnMap(field, "x"),), **section))


def test_yes_and_no_match_whatever_the_case_and_number():
    cells = ["true", "YES", " y ", "1", "1.0", "False", "no", "N", "0", "0.0"]
    assert read("pads_out", cells).frame["pads_out"].to_list() == [True] * 5 + [False] * 5


@pytest.mark.parametrize("cells", [[True, False, None], [1, 0, None], [1.0, 0.0, None]])
def test_typed_yes_and_no_pass(cells):
    assert read("pads_out", cells).frame["pads_out"].to_list() == [True, False, None]


@pytest.mark.parametrize("cell", ["x", "?", "maybe", "2", "done"])
def test_a_word_nobody_declared_is_a_fault_not_a_miss(cell):
    found = read("pads_out", [cell])
    assert found.frame["pads_out"].to_list() == [None]
    assert found.faults.select("rule", "value").rows() == [("unreadable", cell)]


def test_levels_match_with_space_or_hyphen_for_underscore():
    cells = ["Soft Lever", "soft-lever", "SOFT_LEVER", " scheduled "]
    assert read("job_reason", cells).frame["job_reason"].to_list() == ["soft_lever"] * 3 + ["scheduled"]


def test_an_unknown_level_is_told():
    found = read("brake", ["front", "left"])
    assert found.faults.select("column", "rule", "value").rows() == [("brake", "unknown_level", "left")]


def test_a_maps_words_stand_beside_the_logs_own():
    found = read(
        "brake", ["Vorne", "v", "front", "HINTEN"], values={"brake": {"front": ("vorne", "v"), "rear": ("hinten",)}}
    )
    assert found.frame["brake"].to_list() == ["front", "front", "front", "rear"]


def test_a_map_may_give_a_missing_word_or_an_empty_cell_a_meaning():
    words = {"pads_out": {"true": ("x",), "false": ("-", "")}}
    found = read("pads_out", ["x", "-", "", None, "n/a"], values=words)
    assert found.frame["pads_out"].to_list() == [True, False, False, False, None]
    assert found.faults.is_empty()


def test_own_columns_are_read_by_their_type():
    own = (OwnColumn("grease_g", "Fett [g]", "number"), OwnColumn("tray", "Wanne", "true/false"))
    table_map = TableMap(
        "sessions", (ColumnMap("brake", "b"),), own=own, decimal=",", values={"own.tray": {"true": ("ja",)}}
    )
    found = convert(raw({"b": ["front"], "Fett [g]": ["1,5"], "Wanne": ["ja"]}), table_map)
    assert found.frame.select("own.grease_g", "own.tray").rows() == [(1.5, True)]


def test_text_loses_its_outer_space_and_a_number_as_text_its_point():
    assert read("technician", ["  Wren ", "n/a"]).frame["technician"].to_list() == ["Wren", None]
    assert read("technician", [7.0, 8.0]).frame["technician"].to_list() == ["7", "8"]
