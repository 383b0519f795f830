"""What once stopped a run without a word a user could mend."""

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import read_log

HEAD = "session_id,bike_id,brake,technician,started_at,cycles"


def wrote(folder, name, *lines):
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(folder / name)


def test_passes_that_add_up_past_a_fields_range_leave_it_empty_and_are_told(tmp_path):
    bled = wrote(tmp_path, "sessions.csv", HEAD, "S1,B,front,Wren,2026-01-05,", "S2,C,front,Wren,2026-01-05,")
    lines = [f"S1,{n},{'down' if n % 2 else 'up'},200,300" for n in range(1, 13)]
    lines += [f"S2,{n},{'down' if n % 2 else 'up'},10,1" for n in range(1, 5)]
    passes = wrote(tmp_path, "passes.csv", "session_id,pass_no,direction,ml,bubbles", *lines)
    log = read_log([bled, passes])
    filled = log.sessions.select("cycles", "volume_moved_ml", "bubbles_first", "bubbles_last").rows()
    assert filled == [(6, None, None, None), (2, 40.0, 2, 2)]
    told = [warning for warning in log.warnings if "not filled in" in warning]
    assert len(told) == 3
    assert all("S1" in warning and "S2" not in warning for warning in told)


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        ((), "the table has no rows"),
        (("S1,B,front,Wren,soon,2", "S2,B,front,Wren,soon,2"), r"'soon' does not read as date.*2 rows"),
        (("S1,B,front,Wren,1980-01-05,2",), "before 1990-01-01"),
    ],
)
def test_a_log_without_one_date_says_why_no_bleed_was_accepted(tmp_path, rows, why):
    with pytest.raises(UserError, match=f"no bleed was accepted.*{why}"):
        read_log([wrote(tmp_path, "sessions.csv", HEAD, *rows)])


def test_a_return_without_an_hour_answers_to_a_bleed_of_its_day_to_the_last_moment(tmp_path):
    bled = wrote(tmp_path, "sessions.csv", HEAD, "S1,B,front,Wren,2026-01-05T23:59:59.5,2")
    back = wrote(tmp_path, "comebacks.csv", "comeback_id,bike_id,brake,returned_at", "C1,B,front,2026-01-05")
    assert read_log([bled, back]).links.get_column("session_id").to_list() == ["S1"]


def test_no_returns_make_no_links(tmp_path):
    log = read_log([wrote(tmp_path, "sessions.csv", HEAD, "S1,B,front,Wren,2026-01-05,2")])
    assert log.links.equals(pl.DataFrame(schema=log.links.schema))
