"""Each reason is told in words a shop can act on: the cell, the range with its unit, the words allowed."""

import pytest

from analysis.intake import read_log

MAP = """
[sessions.columns]
session_id = "id"
bike_id = "bike"
brake = "brake"
technician = "tech"
started_at = "start"
cycles = "cycles"
minutes = "min"
lever_syringe_fill = "fill"
[sessions.own.grease_g]
heading = "grease"
type = "number"
min = 0
max = 5
unit = "g"
"""
HEAD = "id,bike,brake,tech,start,cycles,min,fill,grease"
GOOD = "S1,B,front,Wren,2026-01-05,2,30,0.7,1"


@pytest.mark.parametrize(
    ("field", "cell", "message"),
    [
        (5, "45", "cycles: 45 is outside 0 to 30"),
        (5, "two", "cycles: 'two' does not read as whole number"),
        (6, "999", "minutes: 999 is outside 2 to 480 min"),
        (7, "1.5", "lever_syringe_fill: 1.5 is outside 0 to 1"),
        (8, "9", "own.grease_g: 9 is outside 0 to 5 g"),
        (8, "much", "own.grease_g: 'much' does not read as number"),
        (2, "left", "brake: 'left' is none of front, rear"),
        (3, "n/a", "technician must be filled"),
        (4, "1980-01-05", "started_at: 1980-01-05 is before 1990-01-01"),
    ],
)
def test_a_reason_names_the_cell_and_what_it_should_be(tmp_path, field, cell, message):
    row = GOOD.replace("S1", "S2").split(",")
    row[field] = cell
    (tmp_path / "bleeds.csv").write_text("\n".join([HEAD, GOOD, ",".join(row)]), encoding="utf-8")
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    log = read_log([str(tmp_path / "bleeds.csv")], str(tmp_path / "map.toml"))
    assert log.set_aside.get_column("message").to_list() == [message]
