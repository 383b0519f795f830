"""Technicians whose names differ only in how they are written: warned about, joined only where the map says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake import read_log

HEAD = "session_id,bike_id,brake,technician,started_at"


def bleeds(folder: Path, *names: str) -> str:
    rows = [f"S{i},B{i},front,{name},2026-01-{1 + i % 28:02d}" for i, name in enumerate(names)]
    (folder / "sessions.csv").write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
    return str(folder / "sessions.csv")


def near(log) -> list[str]:
    return [warning for warning in log.warnings if "differ only" in warning]


@pytest.mark.parametrize("other", ["ann lee", "ANN LEE", "Ann  Lee", "Ann Léé", "Ann-Lee", "Ann.Lee"])
def test_names_that_differ_in_capitals_blanks_accents_or_signs_are_warned_about_and_not_joined(tmp_path, other):
    log = read_log([bleeds(tmp_path, "Ann Lee", "Ann Lee", other)])
    assert len(near(log)) == 1
    assert f"'Ann Lee' (2 bleeds), {other!r} (1 bleed)" in near(log)[0]
    assert log.sessions.get_column("technician").n_unique() == 2


def test_names_of_different_letters_are_not_warned_about(tmp_path):
    assert near(read_log([bleeds(tmp_path, "Ann Lee", "Anna Lee", "Lee", "Wren")])) == []


def test_the_lines_that_the_warning_gives_join_them(tmp_path):
    export = bleeds(tmp_path, "Ann Lee", "Ann Lee", "ann lee", "ANN LEE", "Wren")
    section, line = near(read_log([export]))[0].split("under ")[1].split(": ", 1)
    (tmp_path / "map.toml").write_text(f"{section}\n{line}\n", encoding="utf-8")
    log = read_log([export], str(tmp_path / "map.toml"))
    assert dict(log.sessions.get_column("technician").value_counts().iter_rows()) == {"Ann Lee": 4, "Wren": 1}
    assert near(log) == []


def test_a_coached_name_that_no_bleed_has_is_warned_about_too(tmp_path):
    coached = tmp_path / "coaching.csv"
    coached.write_text("technician,coached_on,step\nwren,2026-01-05,cycles\n", encoding="utf-8")
    told = near(read_log([bleeds(tmp_path, "Wren", "Hazel"), str(coached)]))
    assert len(told) == 1
    assert "under [coaching.values.technician]" in told[0]


def test_one_spelling_under_two_names_is_refused(tmp_path):
    (tmp_path / "map.toml").write_text(
        '[sessions.values.technician]\nAnn = ["ann"]\nAnna = ["ann"]\n', encoding="utf-8"
    )
    with pytest.raises(UserError, match="'ann' is both Ann and Anna"):
        read_log([bleeds(tmp_path, "Ann")], str(tmp_path / "map.toml"))
