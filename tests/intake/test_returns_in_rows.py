"""Returns written in the row of their bleed: which rows have one, the bleed each belongs to, and what is asked."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import Log, propose_map, read_log

HEAD = "Bike,Brake,Mech,Date,Back on,Why back"
ROWS = (
    *(f"K{i},front,Wren,2026-01-{i + 1:02d},," for i in range(14)),
    "K20,front,Wren,2026-01-15,2026-02-20,soft",
    "K20,front,Ash,2026-02-10,no,",
    "K21,rear,Ash,2026-02-11,-,none",
)
MAP = """
[sessions.columns]
bike_id = "Bike"
brake = "Brake"
technician = "Mech"
started_at = "Date"
[comebacks]
in_bleed_rows = true
[comebacks.columns]
bike_id = "Bike"
brake = "Brake"
returned_at = "Back on"
complaint = "Why back"
[comebacks.values.complaint]
soft_lever = ["soft"]
"""


def log_of(folder: Path, rows: tuple[str, ...] = ROWS, head: str = HEAD, toml: str = MAP, more: str = "") -> Log:
    (folder / "book.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    (folder / "map.toml").write_text(toml, encoding="utf-8")
    return read_log([str(folder / "book.csv"), *([more] if more else [])], str(folder / "map.toml"))


def proposed(folder: Path, rows: tuple[str, ...], head: str = HEAD) -> str:
    path = folder / "book.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return propose_map([str(path)]).toml


def test_a_return_belongs_to_its_row_and_not_to_a_later_bleed_before_it(tmp_path: Path) -> None:
    log = log_of(tmp_path)
    assert log.links.select("session_id", "days").rows() == [("K20-front-20260115T0000", 36)]


def test_empty_cells_and_no_are_not_returns_and_the_rows_add_up(tmp_path: Path) -> None:
    accounts = log_of(tmp_path).intake.select("table", "rows_read", "accepted", "set_aside", "duplicates").rows()
    assert accounts == [("sessions", 17, 17, 0, 0), ("comebacks", 1, 1, 0, 0)]


def test_the_notes_say_how_many_returns_were_read_from_which_columns(tmp_path: Path) -> None:
    note = next(one for one in log_of(tmp_path).warnings if "read from the rows" in one)
    assert note.endswith("book.csv: 1 return read from the rows of the bleeds ('Back on', 'Why back')")


def test_columns_of_returns_are_not_listed_as_unused(tmp_path: Path) -> None:
    assert not any("columns not used" in one for one in log_of(tmp_path).warnings)


def test_a_return_without_its_day_is_rejected_with_heading_file_and_row(tmp_path: Path) -> None:
    log = log_of(tmp_path, (*ROWS, "K22,rear,Ash,2026-02-12,,soft"))
    row = log.set_aside.select("file", "row", "table", "heading", "rule", "message").row(0)
    assert row == (
        f"{tmp_path}/book.csv [Back on]", 19, "comebacks", "Back on", "required_missing", "Back on is empty"
    )  # fmt: skip


def test_rejected_returns_can_be_corrected_and_read_with_the_same_map(tmp_path: Path) -> None:
    rejected = log_of(tmp_path, (*ROWS, "K22,rear,Ash,2026-02-12,,soft")).rejected[0]
    assert "Ash" not in rejected.text
    head, row = rejected.text.split("\r\n")[:2]
    (tmp_path / "corrected.csv").write_text(f"{head}\n{row.replace('rear,,', 'rear,2026-02-20,')}\n", encoding="utf-8")
    again = log_of(tmp_path, more=str(tmp_path / "corrected.csv"))
    assert sorted(again.comebacks.get_column("bike_id")) == ["K20", "K22"]


def test_where_nothing_was_ever_written_no_returns_were_read(tmp_path: Path) -> None:
    log = log_of(tmp_path, ROWS[:14])
    assert not log.has_comebacks_table
    assert log_of(tmp_path, (*ROWS[:14], ROWS[15])).has_comebacks_table  # "no" was written


def test_two_sections_for_the_same_columns_are_read_once(tmp_path: Path) -> None:
    first, second = MAP.split("[comebacks]\n")
    log = log_of(tmp_path, toml=f"{first}[[comebacks]]\n{second}[[comebacks]]\n{second}")
    assert log.comebacks.height == 1


def test_yes_without_a_day_counts_on_the_day_of_the_bleed_and_the_notes_say_so(tmp_path: Path) -> None:
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},{'x' if i in (2, 5) else ''}" for i in range(20))
    toml = proposed(tmp_path, rows, "Bike,Brake,Mech,Date,Came back?")
    assert "CHECK: no column has the day of the return" in toml
    assert 'heading = "Came back?"  # CHECK: returns in 2 of 20 rows' in toml
    log = log_of(tmp_path, rows, "Bike,Brake,Mech,Date,Came back?", toml)
    assert log.links.get_column("days").to_list() == [0, 0]
    assert any("how soon bikes came back is unknown" in one for one in log.warnings)
    assert any("every return counts as a comeback" in one for one in log.warnings)


def test_a_day_in_most_rows_is_the_day_of_handing_over(tmp_path: Path) -> None:
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},2026-01-{i + 2:02d}," for i in range(20))
    toml = proposed(tmp_path, rows)
    assert "in_bleed_rows" not in toml
    assert '"Back on" for returned_at: filled in 20 of 20 rows. Is it the day the bike was handed over?' in toml


def test_a_reason_in_every_row_is_the_reason_for_the_job(tmp_path: Path) -> None:
    reasons = ("planned service", "lever soft", "came back")
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},{reasons[i % 3]}" for i in range(20))
    head = "Bike,Brake,Mech,Date,Why it came in"
    toml = proposed(tmp_path, rows, head)
    assert 'job_reason = "Why it came in"' in toml
    assert "Not proposed" not in toml
    jobs = log_of(tmp_path, rows, head, toml).sessions.get_column("job_reason")
    assert set(jobs) == {"scheduled", "soft_lever", "comeback"}


@pytest.mark.parametrize(
    ("toml", "where"),
    [
        (MAP.replace("[sessions.columns]", "[sessions]\nin_bleed_rows = true\n[sessions.columns]", 1), "in_bleed_rows"),
        (MAP.replace('returned_at = "Back on"\ncomplaint = "Why back"', 'returned_at = "Date"'), "comebacks"),
    ],
)
def test_a_section_that_cannot_be_in_rows_of_bleeds_is_refused(tmp_path: Path, toml: str, where: str) -> None:
    with pytest.raises(UserError, match=where):
        log_of(tmp_path, toml=toml)


def test_two_returns_of_one_row_both_belong_to_its_bleed(tmp_path: Path) -> None:
    head = "Bike,Brake,Mech,Date,1st call-back,2nd call-back,why 2nd"
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},," + "," for i in range(18))
    rows = (*rows, "K30,rear,Ash,2026-01-20,2026-01-25,2026-02-01,soft")
    toml = proposed(tmp_path, rows, head)
    log = log_of(tmp_path, rows, head, toml)
    assert log.comebacks.select("returned_at", "complaint").sort("returned_at").rows() == [
        (dt.datetime(2026, 1, 25), None), (dt.datetime(2026, 2, 1), "soft_lever"),
    ]  # fmt: skip
    assert set(log.links.get_column("session_id")) == {
        log.sessions.filter(pl.col("bike_id") == "K30").get_column("session_id").item()
    }


def test_what_a_return_took_is_read_from_the_row_of_its_bleed(tmp_path: Path) -> None:
    head = "Bike,Brake,Mech,Date,Back on,Back hours,Return parts €"
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},,0,0" for i in range(18))
    rows = (*rows, "K30,rear,Ash,2026-01-20,2026-02-01,0.75,12.50")
    toml = proposed(tmp_path, rows, head)
    assert 'minutes = { heading = "Back hours", unit = "h" }  # CHECK: filled in 1 of 19 rows; is it the bench' in toml
    assert 'parts_cost = "Return parts €"  # CHECK: filled in 1 of 19 rows' in toml
    log = log_of(tmp_path, rows, head, toml)
    assert log.comebacks.select("bike_id", "minutes", "parts_cost").rows() == [("K30", 45.0, 12.5)]


@pytest.mark.parametrize("head", ["Back minutes", "Return time", "Parts"])
def test_minutes_and_parts_without_a_return_are_not_proposed_as_one(tmp_path: Path, head: str) -> None:
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},{'20' if i == 3 else ''}" for i in range(20))
    assert "in_bleed_rows" not in proposed(tmp_path, rows, f"Bike,Brake,Mech,Date,{head}")


def test_minutes_in_most_rows_are_not_those_of_a_return(tmp_path: Path) -> None:
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},{'2026-03-01' if i == 3 else ''},{20 + i}" for i in range(20))
    assert '= "Back minutes"' not in proposed(tmp_path, rows, "Bike,Brake,Mech,Date,Back on,Back minutes")


def test_warranty_work_yes_or_no_is_a_return(tmp_path: Path) -> None:
    rows = tuple(f"K{i},front,Wren,2026-01-{i + 1:02d},{'yes' if i == 3 else 'no'}" for i in range(20))
    assert 'heading = "Warranty work?"' in proposed(tmp_path, rows, "Bike,Brake,Mech,Date,Warranty work?")
