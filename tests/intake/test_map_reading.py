"""A map in TOML: what it may say, and every slip refused with its file and key."""

from __future__ import annotations

import pytest

from analysis.errors import UserError
from analysis.intake import read_map
from analysis.intake.mapping.table_map import ColumnMap

LEAST = """
[sessions.columns]
bike_id = "Rad"
brake = "Bremse"
technician = "Monteur"
started_at = "Datum"
"""


def read(tmp_path, text):
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    return read_map(path)


def test_a_whole_map_is_read_as_it_is_written(tmp_path):
    text = f"""
[sessions]
decimal = ","
thousands = "."
date_order = "dmy"
encoding = "cp1252"
delimiter = ";"
missing = ["k. A.", "?"]
short_rows = true
{LEAST}
hose_mm = {{ heading = "Länge [cm]", unit = "cm" }}
[sessions.values.brake]
front = ["vorne", "v"]
rear = ["hinten"]
[sessions.own.grease_g]
heading = "Fett [g]"
type = "number"
unit = "g"
role = "technique"
min = 0
max = 20.5
"""
    (section,) = read(tmp_path, text).sections
    assert section.table == "sessions"
    assert section.columns[-1] == ColumnMap("hose_mm", "Länge [cm]", "cm")
    assert section.values["brake"] == {"front": ("vorne", "v"), "rear": ("hinten",)}
    (own,) = section.own
    assert (own.name, own.heading, own.type, own.unit, own.role, own.low, own.high) == (
        "grease_g", "Fett [g]", "number", "g", "technique", 0, 20.5,
    )  # fmt: skip
    assert (section.decimal, section.thousands, section.date_order) == (",", ".", "dmy")
    assert (section.encoding, section.delimiter, section.missing, section.short_rows) == (
        "cp1252",
        ";",
        ("k. A.", "?"),
        True,
    )
    hint = section.hint()
    assert hint.headings == {"Rad", "Bremse", "Monteur", "Datum"}
    assert (hint.encoding, hint.delimiter, hint.short_rows) == ("cp1252", ";", True)


def test_two_sections_may_serve_one_table(tmp_path):
    text = LEAST.replace("[sessions.columns]", "[[sessions]]\n[sessions.columns]")
    assert [section.table for section in read(tmp_path, text + text).sections] == ["sessions", "sessions"]


SLIPS = {
    "no TOML": ("[sessions", "not TOML"),
    "an empty file": ("", "no table"),
    "an unknown table": ("[bleeds]", "bleeds"),
    "a table that is a text": ('sessions = "x"', "sessions"),
    "an unknown key": ("[sessions]\ncolour = 1" + LEAST, "sessions.colour"),
    "an unknown field": (LEAST + 'bubble = "x"', "sessions.columns.bubble"),
    "a field without a heading": (LEAST + 'hose_mm = { unit = "cm" }', "sessions.columns.hose_mm"),
    "an empty heading": (LEAST + 'hose_mm = " "', "sessions.columns.hose_mm"),
    "a heading that is a number": (LEAST + "hose_mm = 3", "sessions.columns.hose_mm"),
    "a heading used twice": (LEAST + 'note = "Rad"', "sessions.columns.note"),
    "an unknown key of a column": (LEAST + 'note = { heading = "x", format = "y" }', "sessions.columns.note.format"),
    "a unit of another kind": (LEAST + 'hose_mm = { heading = "x", unit = "ml" }', "sessions.columns.hose_mm"),
    "a unit for a count": (LEAST + 'cycles = { heading = "x", unit = "mm" }', "sessions.columns.cycles"),
    "no heading for a required field": (LEAST.replace('brake = "Bremse"', ""), "sessions.columns"),
    "a decimal mark that is none": ('[sessions]\ndecimal = "x"' + LEAST, "sessions.decimal"),
    "an order that is none": ('[sessions]\ndate_order = "dym"' + LEAST, "sessions.date_order"),
    "an encoding that is none": ('[sessions]\nencoding = "klingon"' + LEAST, "sessions.encoding"),
    "a delimiter of two signs": ('[sessions]\ndelimiter = ";;"' + LEAST, "sessions.delimiter"),
    "missing that is no list": ('[sessions]\nmissing = "?"' + LEAST, "sessions.missing"),
    "short_rows that is no yes or no": ("[sessions]\nshort_rows = 1" + LEAST, "sessions.short_rows"),
    "values for a number": (LEAST + '[sessions.values.hose_mm]\nlong = ["l"]', "sessions.values.hose_mm"),
    "a level that is none": (LEAST + '[sessions.values.brake]\nleft = ["l"]', "sessions.values.brake.left"),
    "words that are no list": (LEAST + '[sessions.values.brake]\nfront = "v"', "sessions.values.brake.front"),
    "a word of two levels": (LEAST + '[sessions.values.brake]\nfront = ["v"]\nrear = ["V"]', "sessions.values.brake"),
    "an own column without a heading": (LEAST + '[sessions.own.g]\ntype = "number"', "sessions.own.g"),
    "an own type that is none": (LEAST + '[sessions.own.g]\nheading = "x"\ntype = "colour"', "sessions.own.g.type"),
    "an own role that is none": (LEAST + '[sessions.own.g]\nheading = "x"\nrole = "king"', "sessions.own.g.role"),
    "an own unit that is a number": (LEAST + '[sessions.own.g]\nheading = "x"\nunit = 3', "sessions.own.g.unit"),
    "own min above max": (LEAST + '[sessions.own.g]\nheading = "x"\nmin = 3\nmax = 2', "sessions.own.g"),
    "an own bound that is no number": (LEAST + '[sessions.own.g]\nheading = "x"\nmin = "low"', "sessions.own.g.min"),
    "an own bound without end": (LEAST + '[sessions.own.g]\nheading = "x"\nmax = inf', "sessions.own.g.max"),
    "own bounds for a text": (LEAST + '[sessions.own.g]\nheading = "x"\ntype = "text"\nmin = 1', "sessions.own.g"),
    "an own name with a space": (LEAST + '[sessions.own."g g"]\nheading = "x"', "sessions.own.g g"),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_refused_with_its_file_and_key(tmp_path, slip):
    text, key = SLIPS[slip]
    with pytest.raises(UserError) as refused:
        read(tmp_path, text)
    assert "map.toml" in refused.value.location
    assert key in str(refused.value)
    assert refused.value.remedy
    assert len(str(refused.value).splitlines()) <= 12


def test_a_map_that_is_not_there_or_no_text_is_refused(tmp_path):
    with pytest.raises(UserError, match=r"none\.toml"):
        read_map(tmp_path / "none.toml")
    (tmp_path / "map.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match="UTF-8"):
        read_map(tmp_path / "map.toml")
