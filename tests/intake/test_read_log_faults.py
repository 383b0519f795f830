"""Faults in exports that must not stop a run without a clear message."""

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import read_log

HEAD = "session_id,bike_id,brake,technician,started_at,cycles"


def write_csv(folder, name, *lines):
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(folder / name)


def test_passes_that_add_up_to_more_than_a_field_allows_leave_it_empty_and_are_reported(tmp_path):
    bleeds = write_csv(tmp_path, "sessions.csv", HEAD, "S1,B,front,Wren,2026-01-05,", "S2,C,front,Wren,2026-01-05,")
    lines = [f"S1,{n},{'down' if n % 2 else 'up'},200,300" for n in range(1, 13)]
    lines += [f"S2,{n},{'down' if n % 2 else 'up'},10,1" for n in range(1, 5)]
    passes = write_csv(tmp_path, "passes.csv", "session_id,pass_no,direction,ml,bubbles", *lines)
    log = read_log([bleeds, passes])
    filled = log.sessions.select("cycles", "volume_moved_ml", "bubbles_first", "bubbles_last").rows()
    assert filled == [(6, None, None, None), (2, 40.0, 2, 2)]
    warnings = [warning for warning in log.warnings if "not filled in" in warning]
    assert len(warnings) == 3
    assert all("S1" in warning and "S2" not in warning for warning in warnings)


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        ((), "the table has no rows"),
        (("S1,B,front,Wren,soon,2", "S2,B,front,Wren,soon,2"), r"'soon' is not a date.*2 rows"),
        (("S1,B,front,Wren,1980-01-05,2",), "before 1990-01-01"),
    ],
)
def test_a_log_without_one_date_says_why_no_bleed_was_accepted(tmp_path, rows, why):
    with pytest.raises(UserError, match=f"no bleed was accepted.*{why}"):
        read_log([write_csv(tmp_path, "sessions.csv", HEAD, *rows)])


def test_a_return_without_a_time_may_belong_to_the_last_bleed_of_its_day(tmp_path):
    bleeds = write_csv(tmp_path, "sessions.csv", HEAD, "S1,B,front,Wren,2026-01-05T23:59:59.5,2")
    returns = write_csv(tmp_path, "comebacks.csv", "comeback_id,bike_id,brake,returned_at", "C1,B,front,2026-01-05")
    assert read_log([bleeds, returns]).links.get_column("session_id").to_list() == ["S1"]


def test_without_returns_there_are_no_links_and_a_note_says_so(tmp_path):
    log = read_log([write_csv(tmp_path, "sessions.csv", HEAD, "S1,B,front,Wren,2026-01-05,2")])
    assert log.links.equals(pl.DataFrame(schema=log.links.schema))
    assert any(warning.startswith("No returns were read") for warning in log.warnings)


@pytest.mark.parametrize(
    ("heading", "currency"),
    [("Parts ($)", "$"), ("Parts EUR", "EUR"), ("parts_gbp", "GBP"), ("£ parts", "£"), ("Parts", ""), ("EUR or $", "")],
)
def test_the_currency_is_the_one_in_the_heading(tmp_path, heading, currency):
    bleeds = write_csv(tmp_path, "sessions.csv", HEAD, "S1,B,front,Wren,2026-01-05,2")
    returns = write_csv(tmp_path, "returns.csv", f"comeback_id,bike_id,returned_at,{heading}", "C1,B,2026-01-09,4")
    columns = "".join(f'{name} = "{name}"\n' for name in ("comeback_id", "bike_id", "returned_at"))
    (tmp_path / "map.toml").write_text(f'[comebacks.columns]\n{columns}parts_cost = "{heading}"\n', encoding="utf-8")
    assert read_log([bleeds, returns], str(tmp_path / "map.toml")).currency == currency
