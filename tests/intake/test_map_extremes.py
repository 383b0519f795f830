"""Extreme values of every setting of a map: it is read and the log adds up, or refused with the name of the key."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake import read_log, read_map

HEAD = "session_id,bike_id,brake,technician,started_at,hose_mm,note,grease"
ROWS = [
    f"S{n},B{n},{'front' if n % 2 else 'rear'},Wren,2025-01-{n + 1:02},{900 + n}.5,{n} plain,{n}.25" for n in range(12)
]
DIGITS, LONG, HEXADECIMAL = "9" * 400, "x" * 100_000, "0x" + "f" * 5000
OWN = '[sessions.own.grease]\nheading = "grease"\n'
COLUMNS = "[sessions.columns]\n"
MANY = repr([f"w{n}" for n in range(20_000)])
READ = ""
"""Instead of the key in the error, for a setting that must be read."""
SETTINGS: list[tuple[str, str]] = [
    *((f'[sessions]\ndecimal = "{mark}"', READ) for mark in (".", ",")),
    *(
        (f"[sessions]\ndecimal = {value}", "sessions.decimal")
        for value in ('""', '".."', "1", "true", "[]", f'"{LONG}"')
    ),
    *((f'[sessions]\nthousands = "{mark}"', READ) for mark in (".", ",", " ", "'", "’", "")),
    *((f"[sessions]\nthousands = {value}", "sessions.thousands") for value in ('"0"', '"\\n"', "0", "{}")),
    ('[sessions]\ndecimal = ","\nthousands = ","', "sessions.thousands"),
    *((f'[sessions]\ndate_order = "{order}"', READ) for order in ("dmy", "mdy", "ymd")),
    *((f"[sessions]\ndate_order = {value}", "sessions.date_order") for value in ('"DMY"', '""', "1", "2025-01-01")),
    *(
        (f'[sessions]\nencoding = "{name}"', READ)
        for name in ("utf-8", "UTF8", "utf-8-sig", "cp1252", "ascii", "utf-7")
    ),
    *((f'[sessions]\nencoding = "{name}"', READ) for name in ("utf-16", "utf-32-be", "shift_jis")),
    *(
        (f'[sessions]\nencoding = "{name}"', "sessions.encoding")
        for name in (
            "",
            "a\\u0000b",
            "hex",
            "zlib",
            "rot13",
            "idna",
            "punycode",
            "unicode_escape",
            "undefined",
            LONG,
            "é",
        )
    ),
    *((f"[sessions]\nencoding = {value}", "sessions.encoding") for value in ("8", "[]", "true", DIGITS)),
    ('[sessions]\nencoding = "cp037"', "map.toml, [sessions]"),
    ('[sessions]\ndelimiter = ","', READ),
    ('[sessions]\ndelimiter = ";"', "map.toml, [sessions]"),
    *(
        (f"[sessions]\ndelimiter = {value}", "sessions.delimiter")
        for value in ('""', '"\\n"', "'\"'", '"\\u0000"', '"😀"', '"a"', "44")
    ),
    *(
        (f"[sessions]\nmissing = {value}", READ)
        for value in ("[]", '[""]', '["0", "0"]', f'["{LONG}"]', '["\\u0000", "İ"]')
    ),
    (f"[sessions]\nmissing = {MANY}", READ),
    *((f"[sessions]\nmissing = {value}", "sessions.missing") for value in ('"?"', "[1]", "[[]]", "true")),
    *((f"[sessions]\nshort_rows = {value}", READ) for value in ("true", "false")),
    ("[sessions]\nin_bleed_rows = false", READ),
    ("[sessions]\nin_bleed_rows = true", "sessions.in_bleed_rows"),
    *((f"[sessions]\nshort_rows = {value}", "sessions.short_rows") for value in ("1", "0", '"true"', "[true]")),
    (COLUMNS + 'hose_mm = { heading = "hose_mm", unit = "cm" }', READ),
    (COLUMNS + f'hose_mm = {{ heading = "hose_mm", unit = "{LONG}" }}', "sessions.columns.hose_mm"),
    *(
        (COLUMNS + f"note = {value}", "sessions.columns.note")
        for value in ('""', '"\\n"', "1", "[]", "{}", '{ heading = "note", unit = "mm" }', f'"{LONG}"', '"__row__"')
    ),
    *(
        (f"[sessions.values.brake]\nfront = {value}", READ)
        for value in ("[]", '["v", "v"]', f'["{LONG}"]', '["\\u0000"]', '["İ", "ß"]')
    ),
    (f"[sessions.values.brake]\nfront = {MANY}", READ),
    *(
        (f"[sessions.values.brake]\n{line}", "sessions.values.brake")
        for line in ("front = 1", 'front = "v"', '"" = ["v"]', 'front = ["v"]\nrear = ["V "]', "front = [1]")
    ),
    ('[sessions.values.technician]\nHazel = ["Wren", "Wren"]', READ),
    ('[sessions.values.technician]\n" " = ["Wren"]', "sessions.values.technician"),
    *((f"[sessions.values.{name}]\nlow = []", f"sessions.values.{name}") for name in ("hose_mm", "nothing", "note")),
    *((f'{OWN}type = "{kind}"', READ) for kind in ("text", "number", "whole number", "true/false", "date")),
    *((f'{OWN}role = "{role}"', READ) for role in ("key", "context", "technique", "sign", "outcome")),
    *(
        (f"{OWN}{key} = {value}", f"sessions.own.grease.{key}")
        for key in ("type", "role")
        for value in ('""', "1", f'"{LONG}"')
    ),
    *((f"{OWN}unit = {value}", READ) for value in ('""', '"g"', f'"{LONG}"', '"\\u0000"')),
    *((f"{OWN}unit = {value}", "sessions.own.grease.unit") for value in ("1", "[]")),
    *(
        (f"{OWN}{key} = {value}", READ)
        for key in ("min", "max")
        for value in ("0", "-0.0", "1e308", "-1e308", "5e-324", "9" * 300, "0x10")
    ),
    *(
        (f"{OWN}{key} = {value}", f"sessions.own.grease.{key}")
        for key in ("min", "max")
        for value in (DIGITS, "-" + DIGITS, "inf", "-inf", "nan", "true", '"1"', "[]", "2025-01-01")
    ),
    (f"{OWN}min = 3\nmax = 3", READ),
    (f"{OWN}min = 3\nmax = 2", "sessions.own.grease"),
    (f"{OWN}min = 1{'0' * 4999}", "not valid TOML"),
    *(
        (f"[sessions]\nmissing = {value}", "not valid TOML")
        for value in (f"[{HEXADECIMAL}]", f"{{ a = {HEXADECIMAL} }}")
    ),
    *(
        (f'[sessions.own."{name}"]\nheading = "grease"', READ)
        for name in ("grease", "é", "class", "note", "__row__", "x" * 200)
    ),
    *(
        (f'[sessions.own."{name}"]\nheading = "grease"', "sessions.own")
        for name in ("", " ", "a b", "1a", "a.b", "a\\u0000b", "😀", LONG)
    ),
    *((f"[sessions.own.g]\nheading = {value}", "sessions.own.g") for value in ('""', '" "', "1", "[]", f'"{LONG}"')),
    ('[sessions.own.a]\nheading = "grease"\n[sessions.own.b]\nheading = "grease"', READ),
    ('[sessions.own.a]\nheading = "note"', READ),
    *((f"sessions = {value}", "sessions") for value in ("1", '"x"', "[1]", "[[]]", DIGITS)),
    ("[[sessions]]\n" * 500, READ),
]


@pytest.mark.parametrize(
    ("setting", "key"), SETTINGS, ids=[f"{n} {setting[:60]}" for n, (setting, _) in enumerate(SETTINGS)]
)
def test_a_setting_is_read_or_refused_by_its_key(setting: str, key: str, tmp_path: Path) -> None:
    export, map_path = tmp_path / "log.csv", tmp_path / "map.toml"
    export.write_text("\n".join([HEAD, *ROWS]) + "\n", encoding="utf-8")
    map_path.write_text(setting + "\n", encoding="utf-8")
    if key:
        with pytest.raises(UserError) as refusal:
            read_log([str(export)], str(map_path))
        assert key in str(refusal.value)
        assert "map.toml" in refusal.value.location
        assert len(str(refusal.value)) < 2_000
        return
    log = read_log([str(export)], str(map_path))
    assert log.sessions.height + log.intake["set_aside"].sum() == len(ROWS)
    assert all(len(warning) < 2_000 for warning in log.warnings)


def test_a_map_that_is_a_pipe_is_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "map.toml")
    with pytest.raises(UserError, match="this is a pipe"):
        read_map(tmp_path / "map.toml")


def test_a_pipe_among_exports_is_not_read_and_is_refused_by_name(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("\n".join([HEAD, *ROWS]) + "\n", encoding="utf-8")
    os.mkfifo(tmp_path / "pipe.csv")
    assert f"{tmp_path / 'pipe.csv'}: skipped (not a regular file)" in read_log([str(tmp_path)]).warnings
    with pytest.raises(UserError, match="this is a pipe"):
        read_log([str(tmp_path / "pipe.csv")])
