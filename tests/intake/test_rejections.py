"""Each reason gives the file's heading, the cell, what is allowed in the file's unit, and the line of the map to change."""

import pytest

from analysis.intake import read_log

MAP = """
[sessions.columns]
session_id = "id"
bike_id = "bike"
brake = "brake"
technician = "Mechanic"
started_at = "start"
cycles = "Rounds"
minutes = "min"
lever_syringe_fill = "fill"
lever_reach_mm = { heading = "Lever reach", unit = "in" }
shop_temp_c = { heading = "Temp", unit = "f" }
pads_out = "Pads out?"
[sessions.own.grease_g]
heading = "grease"
type = "number"
min = 0
max = 5
unit = "g"
"""
HEAD = "id,bike,brake,Mechanic,start,Rounds,min,fill,Lever reach,Temp,Pads out?,grease"
GOOD = "S1,B,front,Wren,2026-01-05,2,30,0.7,3,68,yes,1"
NOT_RECORDED = "; if it means 'not recorded', add it to missing under [sessions] in the map"


@pytest.mark.parametrize(
    ("heading", "cell", "message"),
    [
        ("Rounds", "45", "Rounds: 45 is outside 0 to 30"),
        ("Rounds", "two", f"Rounds: 'two' is not a whole number{NOT_RECORDED}"),
        ("min", "999", "min: 999 is outside 2 to 480 min; if it is in another unit, give the unit of minutes in the map"),
        ("fill", "1.5", "fill: 1.5 is outside 0 to 1; if it is in another unit, give the unit of lever_syringe_fill in the map"),
        ("Lever reach", "30.71", "Lever reach: 30.71 in is outside 1.57 to 5.12 in; if that is the wrong unit, correct the "
         "unit of lever_reach_mm in the map"),
        ("Temp", "680", "Temp: 680 °F is outside 14 to 122 °F; if that is the wrong unit, correct the unit of shop_temp_c in "
         "the map"),
        ("Pads out?", "maybe", f"Pads out?: 'maybe' is not yes or no{NOT_RECORDED}"),
        ("grease", "9", "grease: 9 is outside 0 to 5 g"),
        ("grease", "much", f"grease: 'much' is not a number{NOT_RECORDED}"),
        ("brake", "left", "brake: 'left' is not one of: front, rear; if it means one of these, add it under "
         "[sessions.values.brake] in the map"),
        ("Mechanic", "n/a", "Mechanic: 'n/a' means 'not recorded', but a value is required"),
        ("Mechanic", "", "Mechanic is empty"),
        ("start", "1980-01-05", "start: 1980-01-05 is before 1990-01-01"),
        ("start", "soon", "start: 'soon' is not a date"),
        ("start", "5.13.2026", "start: '5.13.2026' is not a date; if day and month are in another order, set date_order under "
         "[sessions] in the map"),
    ],
)  # fmt: skip
def test_a_reason_names_the_cell_and_what_is_allowed(tmp_path, heading, cell, message):
    row = GOOD.replace("S1", "S2").split(",")
    row[HEAD.split(",").index(heading)] = cell
    (tmp_path / "bleeds.csv").write_text("\n".join([HEAD, GOOD, ",".join(row)]), encoding="utf-8")
    (tmp_path / "map.toml").write_text('[sessions]\ndate_order = "dmy"\n' + MAP, encoding="utf-8")
    log = read_log([str(tmp_path / "bleeds.csv")], str(tmp_path / "map.toml"))
    assert log.set_aside.get_column("message").to_list() == [message]


def test_limits_are_in_the_unit_of_each_file(tmp_path):
    head = "session_id,bike_id,brake,technician,started_at"
    (tmp_path / "a.csv").write_text(f"{head},reach in\nS1,B,front,Wren,2026-01-05,9\n", encoding="utf-8")
    (tmp_path / "b.csv").write_text(f"{head},reach cm\nS2,B,front,Wren,2026-01-06,99\n", encoding="utf-8")
    columns = "".join(f'{name} = "{name}"\n' for name in head.split(","))
    sections = [
        f'[[sessions]]\n[sessions.columns]\n{columns}lever_reach_mm = {{ heading = "reach {unit}", unit = "{unit}" }}\n'
        for unit in ("in", "cm")
    ]
    (tmp_path / "map.toml").write_text("".join(sections), encoding="utf-8")
    log = read_log([str(tmp_path / "a.csv"), str(tmp_path / "b.csv")], str(tmp_path / "map.toml"))
    first, second = log.set_aside.get_column("message")
    assert first.startswith("reach in: 9 in is outside 1.57 to 5.12 in")
    assert second.startswith("reach cm: 99 cm is outside 4 to 13 cm")
