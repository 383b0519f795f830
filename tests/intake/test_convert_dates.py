"""Days and moments in every form that exports write them."""

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
def test_a_moment_keeps_its_wall_time(cell):
    assert read([cell]) == [AT]


# 45365 is the serial of 2024-03-14 where 1 is 1900-01-01 and 1900 is taken for a leap year; 1710428700 counts seconds
# of POSIX time. Both are checked here against Python's own calendar.
def test_a_serial_and_unix_seconds_agree_with_the_calendar():
    assert dt.date(1899, 12, 30) + dt.timedelta(45365) == DAY[0].date()
    assert dt.datetime.fromtimestamp(1710428700, dt.UTC).replace(tzinfo=None) == AT[0]


def test_a_serial_with_a_fraction_has_its_hour():
    assert read(["45365.75"]) == [(dt.datetime(2024, 3, 14, 18), True)]


@pytest.mark.parametrize("cell", ["2024-02-30", "31.04.2024", "99.99.9999", "14.03.", "soon", "12:30", "3", "2024-03"])
def test_what_is_no_date_is_told(cell):
    found = convert(raw({"d": [cell]}), sessions("dmy"))
    assert found.frame["started_at"].to_list() == [None]
    assert found.faults.select("rule", "value").rows() == [("unreadable", cell)]


def test_a_day_above_twelve_anywhere_decides_the_column():
    assert read(["03/04/2024", "25/04/2024"])[0][0] == dt.datetime(2024, 4, 3)
    assert read(["03/04/2024", "04/25/2024"])[0][0] == dt.datetime(2024, 3, 4)


def test_dates_that_read_either_way_are_told_and_a_map_settles_them():
    either = raw({"d": ["2024-01-31", "03/04/2024"]})
    assert [(one.field, one.heading, one.example) for one in ambiguous_dates(either, sessions())] == [
        ("started_at", "d", "03/04/2024")
    ]
    assert ambiguous_dates(either, sessions("mdy")) == ()
    assert read(["03/04/2024"], "mdy")[0][0] == dt.datetime(2024, 3, 4)
    assert read(["03/04/2024"], "dmy")[0][0] == dt.datetime(2024, 4, 3)
    assert read(["24/03/04"], "ymd")[0][0] == dt.datetime(2024, 3, 4)


@pytest.mark.parametrize("cells", [["2024-03-04"], ["05/05/2024"], ["n/a", None], ["45365"], ["13.1.24"]])
def test_where_nothing_reads_either_way_nothing_is_asked(cells):
    assert ambiguous_dates(raw({"d": cells}), sessions()) == ()


def test_one_slip_against_many_does_not_turn_a_column():
    assert read(["25/04/2024"] * 20 + ["04/25/2024", "03/04/2024"])[-1][0] == dt.datetime(2024, 4, 3)


def test_hours_that_are_all_midnight_were_not_written():
    assert read(["2024-03-14 00:00:00", "2024-03-15 00:00:00"])[0] == DAY
    assert read(["2024-03-14 00:00:00", "2024-03-15 09:00:00"])[0] == (DAY[0], True)
    assert read([dt.datetime(2024, 3, 14), None]) == [DAY, (None, None)]


def test_typed_days_and_stamps_pass():
    assert read([dt.date(2024, 3, 14)]) == [DAY]
    assert read([dt.datetime(2024, 3, 14, 15, 5)]) == [AT]
    zoned = pl.Series([dt.datetime(2024, 3, 14, 15, 5)]).dt.replace_time_zone("Europe/Berlin")
    assert read(zoned) == [AT]


def test_a_day_of_a_table_of_days_is_a_date():
    table_map = TableMap("technicians", (ColumnMap("started_on", "d"),))
    assert convert(raw({"d": ["14.03.2024 08:00"]}), table_map).frame["started_on"].to_list() == [dt.date(2024, 3, 14)]


@given(st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2068, 12, 31)), st.sampled_from(["dmy", "mdy", "ymd"]))
def test_every_moment_written_in_a_known_order_is_read_back(at, order):
    at = at.replace(second=0, microsecond=0)
    style = {"dmy": "%d.%m.%Y %H:%M", "mdy": "%m/%d/%y %I:%M %p", "ymd": "%y-%m-%d %H:%M"}[order]
    if order != "dmy" and not 1990 <= at.year <= 2068:
        return
    assert read([at.strftime(style)], order)[0][0] == at
