"""What a proposed map asks about exports that can be taken in two ways, and what is said about dates to come."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import pytest

from analysis import built_in
from analysis.errors import UserError
from analysis.intake import propose_map, read_log
from analysis.intake.propose.propose import RECALL_FIELDS
from analysis.intake.propose.vocabulary import is_out_of_scope
from analysis.standard import recalls_by_field
from analysis.standard.holds import RULE_FIELDS
from schemas.outputs import HOLDS


def export(folder: Path, head: str, rows: Sequence[str], name: str = "log.csv") -> str:
    (folder / name).write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return str(folder / name)


def toml_of(*exports: str) -> str:
    return propose_map(exports, lambda bleeds: recalls_by_field(bleeds, built_in())).toml


def line_of(field: str, toml: str) -> str:
    return next(line for line in toml.splitlines() if line.startswith(f"{field} ="))


def start(i: int) -> str:
    return f"J{i},K{i % 40},{('front', 'rear')[i % 2]},{('Wren', 'Ash', 'Elm')[i % 3]},{dt.date(2026, 1, 1 + i % 28)}"


HEAD = "Job no,Bike,Brake,Tech,Date"


def test_the_fields_asked_about_are_those_of_the_recall_rules() -> None:
    assert set(RULE_FIELDS) == set(HOLDS)
    assert set(RECALL_FIELDS) == {field for fields in RULE_FIELDS.values() for field in fields}


def test_fields_that_recall_bikes_are_asked_about_with_the_number_of_recalls(tmp_path: Path) -> None:
    rows = [
        f"{start(i)},{'OK' if i % 4 else 'soft'},{'n' if i else 'y'},mineral,{'DOT4' if i < 7 else 'mineral'}"
        for i in range(60)
    ]
    toml = toml_of(export(tmp_path, f"{HEAD},Lever feel,Leak seen,Fluid required,Fluid used", rows))
    recalls = {
        "hard_pull_firm": "15 bleeds",
        "leak_seen": "1 bleed",
        "fluid_required": "7 bleeds",
        "fluid_used": "7 bleeds",
    }
    for field, number in recalls.items():
        assert f"CHECK: would recall {number}; is it" in line_of(field, toml)


def test_a_small_log_is_not_a_list_of_technicians(tmp_path: Path) -> None:
    rows = [f"J{i},K{i},{('Fr', 'Rr')[i % 2]},{('Jo', 'Sam')[i % 2]},2026-01-{1 + i % 28:02d},Y" for i in range(300)]
    toml = toml_of(export(tmp_path, "Job no,Reg,Brake,Tech,Date,Bite OK", rows))
    assert "[sessions]" in toml
    assert "[technicians]" not in toml


def test_a_heading_means_the_same_in_every_file_of_a_call(tmp_path: Path) -> None:
    bleeds = export(tmp_path, "RO #,Bike,Brake,Tech,Date", [start(i) for i in range(80)], "bleeds.csv")
    returns = export(
        tmp_path, "RO #,Date,Bike,Brake,Complaint",
        [f"J{i},2026-02-{1 + i:02d},K{i % 40},{('front', 'rear')[i % 2]},soft lever" for i in range(24)], "back.csv",
    )  # fmt: skip
    toml = toml_of(bleeds, returns)
    assert toml.count('session_id = "RO #"') == 2
    (tmp_path / "map.toml").write_text(toml, encoding="utf-8")
    assert read_log([bleeds, returns], str(tmp_path / "map.toml")).links.get_column("session_id").count() == 24


def test_after_a_map_a_missing_column_is_to_be_written_in_the_map(tmp_path: Path) -> None:
    path = export(tmp_path, "Bike,Return date,Complaint", [f"K{i},2026-01-{1 + i:02d},soft" for i in range(20)])
    (tmp_path / "map.toml").write_text(toml_of(path), encoding="utf-8")
    with pytest.raises(UserError) as error:
        read_log([path], str(tmp_path / "map.toml"))
    assert "rebleed map" not in str(error.value)
    assert f"write it in {tmp_path}/map.toml under [sessions.columns]" in str(error.value)


def test_every_unknown_word_of_a_listed_field_is_in_the_map_with_its_count(tmp_path: Path) -> None:
    looks = ["clear"] * 40 + ["dark"] * 30 + ["honey"] * 25 + ["tea-ish"] * 2 + ["??"]
    toml = toml_of(export(tmp_path, f"{HEAD},Old fluid", [f"{start(i)},{look}" for i, look in enumerate(looks)]))
    listed = [line for line in toml.splitlines() if line.startswith("#   ")]
    assert listed == ['#   "honey" (25 cells)', '#   "tea-ish" (2 cells)', '#   "??" (1 cell)']
    assert "# CHECK: words not recognised; add each word to the list it belongs in: clear, cloudy, dark, gritty" in toml


def test_two_columns_with_one_heading_are_reported_by_map_and_check(tmp_path: Path) -> None:
    path = export(tmp_path, f"{HEAD},Passes,passes", [f"{start(i)},2,3" for i in range(30)])
    said = "2 columns share a heading: 'Passes' is read as cycles; not read: 'passes'"
    toml = toml_of(path)
    assert f"# CHECK: {said}" in toml
    (tmp_path / "map.toml").write_text(toml, encoding="utf-8")
    assert any(said in warning for warning in read_log([path], str(tmp_path / "map.toml")).warnings)


CANONICAL = "session_id,bike_id,brake,technician,started_at"


@pytest.mark.parametrize(
    ("as_of", "said"),
    [
        (dt.date(2036, 1, 31), "--as-of 2036-01-31 is after today (2026-01-20): bleeds count as followed until then"),
        (None, "the last date in the exports (2026-01-28) is after today (2026-01-20)"),
        (dt.date(2026, 1, 20), None),
    ],
)
def test_a_last_day_after_today_is_questioned(tmp_path: Path, as_of: dt.date | None, said: str | None) -> None:
    path = export(tmp_path, CANONICAL, [start(i) for i in range(28)])
    warnings = read_log([path], as_of=as_of, today=dt.date(2026, 1, 20)).warnings
    questions = [one for one in warnings if "is after today" in one]
    assert [one.startswith(said) and "use --as-of 2026-01-20" in one for one in questions] == [True] * (
        said is not None
    )
    assert not any("today" in one for one in read_log([path], as_of=as_of).warnings)


@pytest.mark.parametrize(
    "word",
    ["front left", "Rear Right", "clutch", "both", "Front + Rear", "F/R", "FL", "NSF", "Kupplung", "vorne links",
     "beide", "embrayage", "les deux", "koppeling", "embrague", "frizione", "tambour"],
)  # fmt: skip
def test_words_for_other_vehicles_and_two_brakes_are_out_of_scope(word: str) -> None:
    assert is_out_of_scope(word)


@pytest.mark.parametrize(
    "word", ["front", "rear", "F", "R", "vorne", "arrière", "front brake", "left", "back", "fr", "rr"]
)
def test_words_for_one_bicycle_brake_are_not(word: str) -> None:
    assert not is_out_of_scope(word)


def test_front_right_is_not_front_where_words_for_the_left_occur(tmp_path: Path) -> None:
    words = ("FL", "FR", "RL", "RR")
    rows = [f"J{i},K{i},{words[i % 4]},Ash,2026-01-{1 + i % 28:02d}" for i in range(60)]
    assert "front = [" not in toml_of(export(tmp_path, HEAD, rows))


def test_a_message_has_the_users_heading_unit_file_and_row(tmp_path: Path) -> None:
    rows = [f"{start(i)},{3.07 if i else 30.71}" for i in range(30)]
    path = export(tmp_path, f"{HEAD},Bar to lever (in)", rows)
    (tmp_path / "map.toml").write_text(toml_of(path), encoding="utf-8")
    row = read_log([path], str(tmp_path / "map.toml")).set_aside.row(0, named=True)
    assert (row["file"], row["row"]) == (path, 2)
    assert row["message"] == (
        "Bar to lever (in): 30.71 in is outside 1.57 to 5.12 in; if that is the wrong unit, correct the unit of "
        "lever_reach_mm in the map"
    )


@pytest.mark.parametrize("sides", [("Front", "Rear"), ("vorne", "hinten"), ("avant", "arrière")])
def test_a_row_that_holds_both_brakes_of_a_bike_is_asked_about(tmp_path: Path, sides: tuple[str, str]) -> None:
    head = "Bike,Tech,Date," + ",".join(f"{side} {what}" for what in ("passes", "minutes") for side in sides)
    rows = [f"K{i % 40},Wren,{dt.date(2026, 1, 1 + i % 28)},2,3,30,40" for i in range(60)]
    toml = toml_of(export(tmp_path, head, rows))
    question = f"'{sides[0]} passes' and '{sides[1]} passes': does a row hold both brakes of a bike?"
    assert question in toml
    assert "both brakes" not in toml_of(export(tmp_path, HEAD, [start(i) for i in range(40)]))
