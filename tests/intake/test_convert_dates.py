"""Dates and date-times in every form used in exports."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.intake.convert.columns import ambiguous_dates, convert
from analysis.intake.mapping.table_map import ColumnMap, TableMap
from tests.intake.raw_tables import raw


def sessions(order=None):
    return TableMap("sessions", (ColumnMap("started_at", "d"),), date_order=order)


def read(cells, order=None):
    frame = convert(raw({"d": cells}), sessions(order)).frame
    return list(zip(frame["started_at"].to_list(), frame["started_at_has_time"].to_list(), strict=True))


DAY = (dt.datetime(2024, 3, 14), False)
AT = (dt.datetime(2024, 3, 14, 15, 5), True)


@pytest.mark.parametrize(
    "cell",
    [
        "2024-03-14", "2024/3/14", "14.03.2024", "14/3/24", "14-03-2024", "20240314", "45365", "14. März 2024",
        "14 mars 2024", "14 de marzo de 2024", "14-Mar-24", "Mar 14, 2024", "Do, 14.03.2024", "03/14/2024",
    ],
)  # fmt: skip
def test_a_day_is_read(cell):
    assert read([cell]) == [DAY]


@pytest.mark.parametrize(
    "cell",
    [
        "2024-03-14 15:05", "2024-03-14T15:05:00", "2024-03-14T15:05:00Z", "2024-03-14T15:05:00.000+02:00",
        "2024-03-14 15:05:00-0500", "14.03.2024 15:05", "14.03.2024, 15:05 Uhr", "14/03/2024 3:05 PM",
        "3/14/24 3:05 pm", "14/03/2024 15h05", "20240314T150500Z", "1710428700", "1710428700000",
    ],
)  # fmt: skip
def test_a_date_time_keeps_its_local_time(cell):
    assert read([cell]) == [AT]


# 45365 is the serial number of 2024-03-14 if 1 is 1900-01-01 and 1900 is a leap year; 1710428700 counts seconds
# of POSIX time. Both are checked here against Python's own calendar.
def test_a_serial_number_and_unix_seconds_agree_with_the_calendar():
    assert dt.date(1899, 12, 30) + dt.timedelta(45365) == DAY[0].date()
    assert dt.datetime.fromtimestamp(1710428700, dt.UTC).replace(tzinfo=None) == AT[0]


def test_a_serial_number_with_a_fraction_has_a_time():
    assert read(["45365.75"]) == [(dt.datetime(2024, 3, 14, 18), True)]


@pytest.mark.parametrize("cell", ["2024-02-30", "31.04.2024", "99.99.9999", "14.03.", "soon", "12:30", "3", "2024-03"])
def test_a_cell_that_is_not_a_date_is_reported(cell):
    result = convert(raw({"d": [cell]}), sessions("dmy"))
    assert result.frame["started_at"].to_list() == [None]
    assert result.faults.select("rule", "value").rows() == [("unreadable", cell)]


def test_a_number_above_twelve_decides_the_order_of_the_column():
    assert read(["03/04/2024", "25/04/2024"])[0][0] == dt.datetime(2024, 4, 3)
    assert read(["03/04/2024", "04/25/2024"])[0][0] == dt.datetime(2024, 3, 4)


def test_ambiguous_dates_are_reported_unless_the_map_gives_an_order():
    either = raw({"d": ["2024-01-31", "03/04/2024"]})
    assert [(one.field, one.heading, one.example) for one in ambiguous_dates(either, sessions())] == [
        ("started_at", "d", "03/04/2024")
    ]
    assert ambiguous_dates(either, sessions("mdy")) == ()
    assert read(["03/04/2024"], "mdy")[0][0] == dt.datetime(2024, 3, 4)
    assert read(["03/04/2024"], "dmy")[0][0] == dt.datetime(2024, 4, 3)
    assert read(["24/03/04"], "ymd")[0][0] == dt.datetime(2024, 3, 4)


@pytest.mark.parametrize("cells", [["2024-03-04"], ["05/05/2024"], ["n/a", None], ["45365"], ["13.1.24"]])
def test_dates_that_are_not_ambiguous_are_not_reported(cells):
    assert ambiguous_dates(raw({"d": cells}), sessions()) == ()


def test_a_single_error_does_not_change_the_order_of_a_column():
    assert read(["25/04/2024"] * 20 + ["04/25/2024", "03/04/2024"])[-1][0] == dt.datetime(2024, 4, 3)


def test_a_column_of_midnights_has_no_times():
    assert read(["2024-03-14 00:00:00", "2024-03-15 00:00:00"])[0] == DAY
    assert read(["2024-03-14 00:00:00", "2024-03-15 09:00:00"])[0] == (DAY[0], True)
    assert read([dt.datetime(2024, 3, 14), None]) == [DAY, (None, None)]


def test_typed_dates_and_date_times_are_kept():
    assert read([dt.date(2024, 3, 14)]) == [DAY]
    assert read([dt.datetime(2024, 3, 14, 15, 5)]) == [AT]
    zoned = pl.Series([dt.datetime(2024, 3, 14, 15, 5)]).dt.replace_time_zone("Europe/Berlin")
    assert read(zoned) == [AT]


def test_a_date_field_drops_the_time():
    table_map = TableMap("technicians", (ColumnMap("started_on", "d"),))
    assert convert(raw({"d": ["14.03.2024 08:00"]}), table_map).frame["started_on"].to_list() == [dt.date(2024, 3, 14)]


@given(st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2068, 12, 31)), st.sampled_from(["dmy", "mdy", "ymd"]))
def test_every_date_time_written_in_a_known_order_is_read_back(at, order):
    at = at.replace(second=0, microsecond=0)
    style = {"dmy": "%d.%m.%Y %H:%M", "mdy": "%m/%d/%y %I:%M %p", "ymd": "%y-%m-%d %H:%M"}[order]
    if order != "dmy" and not 1990 <= at.year <= 2068:
        return
    assert read([at.strftime(style)], order)[0][0] == at
