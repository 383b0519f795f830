"""Every row read is accepted, rejected or a duplicate, with its reason, and no other row is affected."""

import csv
import datetime as dt
import io

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.errors import UserError
from analysis.intake import read_log
from analysis.intake.rejections import REASON_COLUMNS

HEAD = "session_id,bike_id,brake,technician,started_at,cycles,lever_reach_mm"
GOOD = [f"S{i},B{i},front,Wren,2026-01-{i + 1:02d},2,78" for i in range(12)]


def log_of(tmp_path, rows, head=HEAD, name="sessions.csv", more=(), **options):
    path = tmp_path / name
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return read_log([str(path), *more], **options)


def counts(log):
    return log.intake.select("rows_read", "accepted", "set_aside", "duplicates", "values_blanked").row(0)


def reasons(log):
    return log.set_aside.select("row", "column", "rule", "value", "action").rows()


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("S99,,front,Wren,2026-01-05,2,78", ("bike_id", "required_missing", None)),
        ("S99,n/a,front,Wren,2026-01-05,2,78", ("bike_id", "required_missing", "n/a")),
        ("S99,B1,left,Wren,2026-01-05,2,78", ("brake", "unknown_level", "left")),
        ("S99,B1,front,Wren,soon,2,78", ("started_at", "unreadable", "soon")),
        ("S99,B1,front,Wren,1989-12-31,2,78", ("started_at", "out_of_range", "1989-12-31")),
        (",B1,front,Wren,2026-01-05,2,78", ("session_id", "required_missing", None)),
    ],
)
def test_a_bad_value_in_a_required_field_rejects_the_row(tmp_path, row, reason):
    log = log_of(tmp_path, [*GOOD, row])
    assert counts(log) == (13, 12, 1, 0, 0)
    assert reasons(log) == [(14, *reason, "row_set_aside")]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("S99,B1,front,Wren,2026-01-05,45,78", ("cycles", "out_of_range", "45")),
        ("S99,B1,front,Wren,2026-01-05,two,78", ("cycles", "unreadable", "two")),
        ("S99,B1,front,Wren,2026-01-05,2.5,78", ("cycles", "unreadable", "2.5")),
        ("S99,B1,front,Wren,2026-01-05,2,?", ("lever_reach_mm", "unreadable", "?")),
    ],
)
def test_a_bad_value_in_an_optional_field_is_blanked(tmp_path, row, reason):
    log = log_of(tmp_path, [*GOOD, row])
    assert counts(log) == (13, 13, 0, 0, 1)
    assert reasons(log) == [(14, *reason, "value_blanked")]
    assert log.sessions.filter(pl.col("session_id") == "S99").get_column(reason[0]).to_list() == [None]


def test_a_word_for_not_recorded_in_an_optional_field_is_not_reported(tmp_path):
    log = log_of(tmp_path, [*GOOD, "S99,B1,front,Wren,2026-01-05,n/a,-"])
    assert counts(log) == (13, 13, 0, 0, 0)
    assert reasons(log) == []


def test_a_day_after_the_as_of_date_is_rejected_and_the_day_itself_counts(tmp_path):
    log = log_of(tmp_path, GOOD, as_of=dt.date(2026, 1, 11))
    assert reasons(log) == [(13, "started_at", "after_as_of", "2026-01-12", "row_set_aside")]


def test_the_first_of_two_equal_rows_is_kept(tmp_path):
    log = log_of(tmp_path, [*GOOD, GOOD[3]])
    assert counts(log) == (13, 12, 0, 1, 0)
    assert reasons(log) == [(14, "session_id", "exact_copy", "S3", "duplicate")]


def test_rows_that_share_an_id_but_differ_are_all_rejected(tmp_path):
    log = log_of(tmp_path, [*GOOD, "S3,B9,rear,Wren,2026-01-05,2,78"])
    assert counts(log) == (13, 11, 2, 0, 0)
    assert [row[:3] for row in reasons(log)] == [
        (5, "session_id", "conflicting_copies"),
        (14, "session_id", "conflicting_copies"),
    ]


def test_duplicates_are_found_across_the_files_of_a_table(tmp_path):
    other = tmp_path / "z.csv"
    other.write_text("\n".join([HEAD, *GOOD[:2]]), encoding="utf-8")
    log = log_of(tmp_path, GOOD, more=[str(other)])
    assert log.intake.get_column("duplicates").to_list() == [0, 2]


def test_an_id_without_a_column_is_generated_and_numbered_where_rows_differ(tmp_path):
    rows = ["B1,front,Wren,2026-01-05,2", "B1,front,Wren,2026-01-05,3", "B1,front,Wren,2026-01-05,3"]
    log = log_of(tmp_path, rows, head="bike_id,brake,technician,started_at,cycles")
    assert counts(log) == (3, 2, 0, 1, 0)
    first, second = log.sessions.get_column("session_id")
    assert (first[-2:], second[-2:]) == ("-1", "-2")


def test_a_row_with_more_cells_than_headings_is_rejected(tmp_path):
    log = log_of(tmp_path, [*GOOD, "S99,B1,front,Wren,2026-01-05,2,78,9,9"])
    assert counts(log) == (13, 12, 1, 0, 0)
    assert reasons(log)[0][2] == "unreadable_row"
    assert any("S99" in one.text for one in log.rejected)


def test_rejected_rows_keep_their_cells_and_get_their_reasons_in_added_columns(tmp_path):
    log = log_of(tmp_path, [*GOOD, "S99,B1,left,Wren,2026-01-05,2,78"])
    (rejected,) = log.rejected
    headings, row = list(csv.reader(io.StringIO(rejected.text, newline="")))
    assert headings == [*HEAD.split(","), *REASON_COLUMNS]
    assert row[:7] == ["S99", "B1", "left", "Wren", "2026-01-05", "2", "78"]
    assert row[8:10] == ["14", "unknown_level"]
    assert row[10].startswith("brake: 'left' is not one of: front, rear")


def test_rejected_rows_can_be_corrected_in_their_file_and_imported_again(tmp_path):
    log = log_of(tmp_path, [*GOOD, "S98,B1,left,Wren,soon,2,78", "S99,B2,rear,,2026-01-05,2,78"])
    (rejected,) = log.rejected
    assert "; " in list(csv.reader(io.StringIO(rejected.text, newline="")))[1][9]
    corrected = tmp_path / "corrected.csv"
    text = rejected.text.replace(",left,Wren,soon", ",rear,Wren,2026-01-05").replace("rear,,", "rear,Ann,")
    corrected.write_bytes(text.encode())
    again = read_log([str(corrected)])
    assert again.sessions.get_column("session_id").to_list() == ["S98", "S99"]
    assert again.set_aside.is_empty()
    assert not any("not used" in warning for warning in again.warnings)


def test_reasons_are_not_added_twice_to_a_row_imported_again_uncorrected(tmp_path):
    log = log_of(tmp_path, [*GOOD, "S98,B1,left,Wren,2026-01-05,2,78"])
    rejected_file = tmp_path / "rejected.csv"
    text = log.rejected[0].text + "S1X,B1,rear,Wren,2026-01-05,2,78,,,,\r\n"
    rejected_file.write_bytes(text.encode())
    again = read_log([str(rejected_file)])
    headings = next(csv.reader(io.StringIO(again.rejected[0].text, newline="")))
    assert headings == [*HEAD.split(","), *REASON_COLUMNS]


def test_a_carriage_return_in_a_rejected_cell_does_not_start_a_new_row(tmp_path):
    log = log_of(tmp_path, [*GOOD, 'S99,"B\r1",left,Wren,2026-01-05,2,78'])
    (rejected,) = log.rejected
    assert list(csv.reader(io.StringIO(rejected.text, newline="")))[1][:3] == ["S99", "B\r1", "left"]
    assert rejected.text.count("\r\n") == 2


def test_a_newest_date_far_from_the_others_stops_the_run_and_names_both(tmp_path):
    with pytest.raises(UserError, match=r"2026-09-09.*2026-01-12"):
        log_of(tmp_path, [*GOOD, "S99,B1,front,Wren,2026-09-09,2,78"])


def test_an_as_of_date_before_all_dates_is_refused(tmp_path):
    with pytest.raises(UserError, match="before all dates"):
        log_of(tmp_path, GOOD, as_of=dt.date(2025, 1, 1))


def test_a_missing_required_column_is_named(tmp_path):
    with pytest.raises(UserError, match="technician"):
        log_of(tmp_path, ["S1,B1,front,2026-01-05"], head="session_id,bike_id,brake,started_at")


def test_if_no_bleed_is_accepted_the_most_common_reasons_are_given(tmp_path):
    with pytest.raises(UserError, match=r"no bleed was accepted.*2 rows"):
        log_of(tmp_path, ["S1,,front,Wren,2026-01-05,2,78", "S2,,front,Wren,2026-01-06,2,78"])


def test_a_date_that_may_be_day_first_or_month_first_stops_the_run(tmp_path):
    rows = [row.replace(row.split(",")[4], "03/04/2026") for row in GOOD]
    with pytest.raises(UserError, match="day-first or month-first"):
        log_of(tmp_path, rows)


def test_passes_fill_empty_fields_of_the_bleed_and_a_contradiction_is_reported(tmp_path):
    passes = tmp_path / "passes.csv"
    lines = ["session_id,pass_no,direction,ml,bubbles"]
    lines += [
        f"{s},{n},{'down' if n % 2 else 'up'},10,{b}"
        for s in ("S99", "S0")
        for n, b in zip((1, 2, 3, 4), (5, 2, 1, 0), strict=True)
    ]
    passes.write_text("\n".join(lines), encoding="utf-8")
    log = log_of(tmp_path, [*GOOD, "S99,B1,front,Wren,2026-01-05,,78"], more=[str(passes)])
    row = log.sessions.filter(pl.col("session_id") == "S99").row(0, named=True)
    filled = (row["cycles"], row["volume_moved_ml"], row["bubbles_first"], row["bubbles_last"])
    assert filled == (2, 40.0, 7, 1)
    changed = log_of(tmp_path, [GOOD[0].replace(",2,78", ",3,78"), *GOOD[1:]], more=[str(passes)])
    assert any("where cycles differs from the sum of the passes" in warning for warning in changed.warnings)


CELLS = st.sampled_from(["2", "45", "two", "", "n/a", "0"])
BRAKES = st.sampled_from(["front", "rear", "left", ""])
ROWS = st.lists(st.tuples(st.integers(0, 30), BRAKES, st.integers(1, 28), CELLS), min_size=1, max_size=25)


def csv_lines(rows):
    return [f"S{i},B{i},{brake},Wren,2026-01-{day:02d},{cycles},78" for i, brake, day, cycles in rows]


def row_totals(log):
    """Rows read, and rows accounted for."""
    row = log.intake.row(0, named=True)
    return row["rows_read"], row["accepted"] + row["set_aside"] + row["duplicates"]


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=ROWS, order=st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(tmp_path, rows, order):
    rows = [*GOOD, *csv_lines(rows)]
    shuffled = rows.copy()
    order.shuffle(shuffled)
    as_of = dt.date(2026, 1, 31)
    one, other = log_of(tmp_path, rows, as_of=as_of), log_of(tmp_path, shuffled, as_of=as_of)
    assert counts(one) == counts(other)
    columns = [name for name in one.sessions.columns if name != "row"]
    assert one.sessions.select(columns).equals(other.sessions.select(columns))


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=ROWS, twice=st.integers(0, 36))
def test_a_repeated_row_adds_one_duplicate_and_nothing_else(tmp_path, rows, twice):
    rows = [*GOOD, *csv_lines(rows)]
    as_of = dt.date(2026, 1, 31)
    before = counts(log_of(tmp_path, rows, as_of=as_of))
    after = counts(log_of(tmp_path, [*rows, rows[twice % len(rows)]], as_of=as_of))
    assert after == (before[0] + 1, before[1], before[2], before[3] + 1, before[4])


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=ROWS, gone=st.integers(0, 24))
def test_removing_a_row_removes_that_row_and_nothing_else(tmp_path, rows, gone):
    unique = [row for row in dict.fromkeys(csv_lines(rows)) if row.split(",")[0] not in {g.split(",")[0] for g in GOOD}]
    ids = [row.split(",")[0] for row in unique]
    unique = [row for row, i in zip(unique, ids, strict=True) if ids.count(i) == 1]
    if not unique:
        return
    as_of = dt.date(2026, 1, 31)
    row = unique[gone % len(unique)]
    full, less = (
        log_of(tmp_path, [*GOOD, *unique], as_of=as_of),
        log_of(tmp_path, [*GOOD, *(r for r in unique if r != row)], as_of=as_of),
    )
    assert full.intake["rows_read"][0] - less.intake["rows_read"][0] == 1
    remaining = set(less.sessions["session_id"])
    assert set(full.sessions["session_id"]) - remaining <= {row.split(",")[0]}
    assert remaining <= set(full.sessions["session_id"])
    for log in (full, less):
        read, accounted_for = row_totals(log)
        assert read == accounted_for
