"""A map in TOML: everything it may contain, and every mistake refused with file and key."""

from __future__ import annotations

import pytest

from analysis.errors import UserError
from analysis.intake import read_map
from analysis.intake.mapping.table_map import ColumnMap

REQUIRED = """
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


def test_a_complete_map_is_read(tmp_path):
    text = f"""
[sessions]
decimal = ","
thousands = "."
date_order = "dmy"
encoding = "cp1252"
delimiter = ";"
missing = ["k. A.", "?"]
short_rows = true
{REQUIRED}
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


def test_a_table_may_have_two_sections(tmp_path):
    text = REQUIRED.replace("[sessions.columns]", "[[sessions]]\n[sessions.columns]")
    assert [section.table for section in read(tmp_path, text + text).sections] == ["sessions", "sessions"]


MISTAKES = {
    "no TOML": ("[sessions", "not valid TOML"),
    "an empty file": ("", "no table"),
    "an unknown table": ("[bleeds]", "bleeds"),
    "a table that is a text": ('sessions = "x"', "sessions"),
    "an unknown key": ("[sessions]\ncolour = 1" + REQUIRED, "sessions.colour"),
    "an unknown field": (REQUIRED + 'bubble = "x"', "sessions.columns.bubble"),
    "a field without a heading": (REQUIRED + 'hose_mm = { unit = "cm" }', "sessions.columns.hose_mm"),
    "an empty heading": (REQUIRED + 'hose_mm = " "', "sessions.columns.hose_mm"),
    "a heading that is a number": (REQUIRED + "hose_mm = 3", "sessions.columns.hose_mm"),
    "a heading used twice": (REQUIRED + 'note = "Rad"', "sessions.columns.note"),
    "an unknown key of a column": (REQUIRED + 'note = { heading = "x", format = "y" }', "sessions.columns.note.format"),
    "a unit of another kind": (REQUIRED + 'hose_mm = { heading = "x", unit = "ml" }', "sessions.columns.hose_mm"),
    "a unit for a count": (REQUIRED + 'cycles = { heading = "x", unit = "mm" }', "sessions.columns.cycles"),
    "no heading for a required field": (REQUIRED.replace('brake = "Bremse"', ""), "sessions.columns"),
    "a decimal mark that is none": ('[sessions]\ndecimal = "x"' + REQUIRED, "sessions.decimal"),
    "an order that is none": ('[sessions]\ndate_order = "dym"' + REQUIRED, "sessions.date_order"),
    "an encoding that is none": ('[sessions]\nencoding = "klingon"' + REQUIRED, "sessions.encoding"),
    "a delimiter of two signs": ('[sessions]\ndelimiter = ";;"' + REQUIRED, "sessions.delimiter"),
    "missing that is no list": ('[sessions]\nmissing = "?"' + REQUIRED, "sessions.missing"),
    "short_rows that is no yes or no": ("[sessions]\nshort_rows = 1" + REQUIRED, "sessions.short_rows"),
    "values for a number": (REQUIRED + '[sessions.values.hose_mm]\nlong = ["l"]', "sessions.values.hose_mm"),
    "a level that is none": (REQUIRED + '[sessions.values.brake]\nleft = ["l"]', "sessions.values.brake.left"),
    "words that are no list": (REQUIRED + '[sessions.values.brake]\nfront = "v"', "sessions.values.brake.front"),
    "a word of two levels": (
        REQUIRED + '[sessions.values.brake]\nfront = ["v"]\nrear = ["V"]',
        "sessions.values.brake",
    ),
    "an own column without a heading": (REQUIRED + '[sessions.own.g]\ntype = "number"', "sessions.own.g"),
    "an own type that is none": (REQUIRED + '[sessions.own.g]\nheading = "x"\ntype = "colour"', "sessions.own.g.type"),
    "an own role that is none": (REQUIRED + '[sessions.own.g]\nheading = "x"\nrole = "king"', "sessions.own.g.role"),
    "an own unit that is a number": (REQUIRED + '[sessions.own.g]\nheading = "x"\nunit = 3', "sessions.own.g.unit"),
    "own min above max": (REQUIRED + '[sessions.own.g]\nheading = "x"\nmin = 3\nmax = 2', "sessions.own.g"),
    "an own bound that is no number": (REQUIRED + '[sessions.own.g]\nheading = "x"\nmin = "low"', "sessions.own.g.min"),
    "an own bound without end": (REQUIRED + '[sessions.own.g]\nheading = "x"\nmax = inf', "sessions.own.g.max"),
    "own bounds for a text": (REQUIRED + '[sessions.own.g]\nheading = "x"\ntype = "text"\nmin = 1', "sessions.own.g"),
    "an own name with a space": (REQUIRED + '[sessions.own."g g"]\nheading = "x"', "sessions.own.g g"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_is_refused_with_its_file_and_key(tmp_path, mistake):
    text, key = MISTAKES[mistake]
    with pytest.raises(UserError) as refused:
        read(tmp_path, text)
    assert "map.toml" in refused.value.location
    assert key in str(refused.value)
    assert refused.value.remedy
    assert len(str(refused.value).splitlines()) <= 12


def test_a_map_that_is_missing_or_not_text_is_refused(tmp_path):
    with pytest.raises(UserError, match=r"none\.toml"):
        read_map(tmp_path / "none.toml")
    (tmp_path / "map.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match="UTF-8"):
        read_map(tmp_path / "map.toml")
