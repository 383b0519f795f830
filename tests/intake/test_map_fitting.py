"""Which table a file holds: told by a map's section, or recognised by the log's own headings."""

from __future__ import annotations

import pytest

from analysis.intake import Mapping
from analysis.intake.mapping.match_table import Absent, match_table
from analysis.intake.mapping.table_map import FIELDS, ColumnMap, OwnColumn, TableMap
from schemas import LOG_TABLES
from tests.intake.raw_tables import raw


def file(*headings):
    return raw({heading: ["1"] for heading in headings})


def section(table, **columns):
    return TableMap(table, tuple(ColumnMap(name, heading) for name, heading in columns.items()))


GERMAN = section("sessions", bike_id="Rad", brake="Bremse", technician="Monteur", started_at="Datum", note="Notiz")


@pytest.mark.parametrize("table", LOG_TABLES)
def test_each_table_is_known_by_all_its_headings(table):
    assert match_table(file(*FIELDS[table]), None).table_map.table == table


@pytest.mark.parametrize(
    ("headings", "table"),
    [
        (("bike_id", "brake", "technician", "started_at"), "sessions"),
        (("Bike ID", " BRAKE ", "technician", "Started-At"), "sessions"),
        (("bike_id", "returned_at"), "comebacks"),
        (("comeback_id", "session_id", "bike_id", "brake", "returned_at", "minutes"), "comebacks"),
        (("session_id", "pass_no", "bubbles"), "passes"),
        (("technician", "shop"), "technicians"),
        (("technician", "coached_on", "step"), "coaching"),
        (("brake_model", "hose_mm"), "brakes"),
    ],
)
def test_a_table_is_known_by_few_headings(headings, table):
    assert match_table(file(*headings), None).table_map.table == table


@pytest.mark.parametrize(
    "headings", [("item", "technician", "repeat", "reading"), ("a", "b"), ("note",), ("Rad", "Bremse")]
)
def test_a_file_of_something_else_is_none_of_them(headings):
    assert match_table(file(*headings), None).table_map is None


def test_a_required_column_that_is_missing_is_named():
    fit = match_table(file("session_id", "bike_id", "technician", "started_at", "cycles"), None)
    assert (fit.table_map, fit.resembles, fit.lacks) == (None, "sessions", ("brake",))


def test_a_section_fits_by_its_required_headings_spelled_as_the_file_has_them():
    fit = match_table(file("RAD", "bremse", "Monteur", " Datum", "notiz", "Kasse"), Mapping((GERMAN,), "map.toml"))
    assert [column.heading for column in fit.table_map.columns] == ["RAD", "bremse", "Monteur", " Datum", "notiz"]


def test_a_heading_of_the_map_that_the_file_lacks_is_left_out_and_named_with_its_key():
    fit = match_table(file("Rad", "Bremse", "Monteur", "Datum"), Mapping((GERMAN,), "map.toml"))
    assert fit.absent == (Absent("columns.note", "Notiz"),)
    assert "note" not in [column.field for column in fit.table_map.columns]


def test_of_two_sections_the_one_whose_headings_are_all_there_fits():
    short = section("sessions", bike_id="Rad", brake="Bremse", technician="Monteur", started_at="Datum")
    fit = match_table(file("Rad", "Bremse", "Monteur", "Datum"), Mapping((GERMAN, short), "map.toml"))
    assert fit.table_map == short


def test_a_file_in_the_logs_own_headings_needs_no_section():
    fit = match_table(file("bike_id", "returned_at", "complaint"), Mapping((GERMAN,), "map.toml"))
    assert fit.table_map.table == "comebacks"


def test_a_required_heading_of_the_map_that_is_missing_is_named_with_its_field():
    fit = match_table(file("Rad", "Bremse", "Monteur", "Tag"), Mapping((GERMAN,), "map.toml"))
    assert fit.table_map is None
    assert fit.lacks == ("started_at ('Datum')",)


def test_a_section_of_own_columns_alone_adds_to_the_logs_own_headings():
    own = TableMap("sessions", (), own=(OwnColumn("grease_g", "Fett"),))
    fit = match_table(file("bike_id", "brake", "technician", "started_at", "Fett"), Mapping((own,), "map.toml"))
    assert {column.field for column in fit.table_map.columns} == {"bike_id", "brake", "technician", "started_at"}
    assert fit.table_map.own == own.own
