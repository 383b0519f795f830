"""Which table a file is: by a section of the map, or by the log's own headings."""

from __future__ import annotations

import pytest

from analysis.intake import ExportMap
from analysis.intake.mapping.table_map import (
    FIELDS,
    AbsentHeading,
    ColumnMap,
    OwnColumn,
    TableMap,
    match_table,
    unused_sections,
)
from schemas import LOG_TABLES
from tests.intake.raw_tables import raw


def file(*headings):
    return raw({heading: ["1"] for heading in headings})


def section(table, **columns):
    return TableMap(table, tuple(ColumnMap(name, heading) for name, heading in columns.items()))


GERMAN = section("sessions", bike_id="Rad", brake="Bremse", technician="Monteur", started_at="Datum", note="Notiz")


@pytest.mark.parametrize("table", LOG_TABLES)
def test_each_table_is_recognised_by_all_its_headings(table):
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
def test_a_table_is_recognised_by_few_headings(headings, table):
    assert match_table(file(*headings), None).table_map.table == table


@pytest.mark.parametrize(
    "headings", [("item", "technician", "repeat", "reading"), ("a", "b"), ("note",), ("Rad", "Bremse")]
)
def test_a_file_of_something_else_matches_no_table(headings):
    assert match_table(file(*headings), None).table_map is None


def test_a_required_column_that_is_missing_is_named():
    match = match_table(file("session_id", "bike_id", "technician", "started_at", "cycles"), None)
    assert (match.table_map, match.resembles, match.lacks) == (None, "sessions", ("brake",))


def test_a_section_takes_the_spelling_of_the_files_headings():
    match = match_table(file("RAD", "bremse", "Monteur", " Datum", "notiz", "Kasse"), ExportMap((GERMAN,), "map.toml"))
    assert [column.heading for column in match.table_map.columns] == ["RAD", "bremse", "Monteur", " Datum", "notiz"]


def test_a_heading_the_file_does_not_have_is_left_out_and_named_with_its_key():
    match = match_table(file("Rad", "Bremse", "Monteur", "Datum"), ExportMap((GERMAN,), "map.toml"))
    assert match.absent == (AbsentHeading("columns.note", "Notiz"),)
    assert "note" not in [column.field for column in match.table_map.columns]


def test_of_two_sections_the_one_with_all_headings_present_is_used():
    short = section("sessions", bike_id="Rad", brake="Bremse", technician="Monteur", started_at="Datum")
    match = match_table(file("Rad", "Bremse", "Monteur", "Datum"), ExportMap((GERMAN, short), "map.toml"))
    assert match.table_map == short


def test_a_file_in_the_logs_own_headings_needs_no_section():
    match = match_table(file("bike_id", "returned_at", "complaint"), ExportMap((GERMAN,), "map.toml"))
    assert match.table_map.table == "comebacks"


def test_a_missing_required_heading_is_named_with_its_field():
    match = match_table(file("Rad", "Bremse", "Monteur", "Tag"), ExportMap((GERMAN,), "map.toml"))
    assert match.table_map is None
    assert match.lacks == ("started_at ('Datum')",)


def test_a_section_with_only_own_columns_adds_to_the_logs_own_headings():
    own = TableMap("sessions", (), own=(OwnColumn("grease_g", "Fett"),))
    match = match_table(file("bike_id", "brake", "technician", "started_at", "Fett"), ExportMap((own,), "map.toml"))
    assert {column.field for column in match.table_map.columns} == {"bike_id", "brake", "technician", "started_at"}
    assert match.table_map.own == own.own


def test_two_sheets_with_the_same_headings_leave_no_section_unused():
    mapping = ExportMap((GERMAN, GERMAN), "map.toml")
    files = [file("Rad", "Bremse", "Monteur", "Datum", "Notiz")] * 2
    assert unused_sections(mapping, [match_table(one, mapping) for one in files], files) == []


def test_a_section_without_a_file_is_unused():
    returns = section("comebacks", bike_id="Rad", returned_at="Zurück")
    mapping = ExportMap((GERMAN, returns), "map.toml")
    files = [file("Rad", "Bremse", "Monteur", "Datum", "Notiz")]
    assert unused_sections(mapping, [match_table(one, mapping) for one in files], files) == [returns]
