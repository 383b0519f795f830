"""Technicians whose names differ only in spelling are pointed out, and merged only if the map says so."""

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


def similar(log) -> list[str]:
    return [warning for warning in log.warnings if "differ only" in warning]


@pytest.mark.parametrize("other", ["ann lee", "ANN LEE", "Ann  Lee", "Ann Léé", "Ann-Lee", "Ann.Lee"])
def test_names_that_differ_in_capitals_spaces_accents_or_punctuation_are_pointed_out_and_not_merged(tmp_path, other):
    log = read_log([bleeds(tmp_path, "Ann Lee", "Ann Lee", other)])
    assert len(similar(log)) == 1
    assert f"'Ann Lee' (2 bleeds), {other!r} (1 bleed)" in similar(log)[0]
    assert log.sessions.get_column("technician").n_unique() == 2


def test_names_of_different_letters_are_not_pointed_out(tmp_path):
    assert similar(read_log([bleeds(tmp_path, "Ann Lee", "Anna Lee", "Lee", "Wren")])) == []


def test_the_lines_in_the_warning_merge_them(tmp_path):
    export = bleeds(tmp_path, "Ann Lee", "Ann Lee", "ann lee", "ANN LEE", "Wren")
    section, line = similar(read_log([export]))[0].split("under ")[1].split(": ", 1)
    (tmp_path / "map.toml").write_text(f"{section}\n{line}\n", encoding="utf-8")
    log = read_log([export], str(tmp_path / "map.toml"))
    assert dict(log.sessions.get_column("technician").value_counts().iter_rows()) == {"Ann Lee": 4, "Wren": 1}
    assert similar(log) == []


def test_a_coached_name_without_a_bleed_is_pointed_out_too(tmp_path):
    coached = tmp_path / "coaching.csv"
    coached.write_text("technician,coached_on,step\nwren,2026-01-05,cycles\n", encoding="utf-8")
    warnings = similar(read_log([bleeds(tmp_path, "Wren", "Hazel"), str(coached)]))
    assert len(warnings) == 1
    assert "under [coaching.values.technician]" in warnings[0]


def test_one_spelling_for_two_names_is_refused(tmp_path):
    (tmp_path / "map.toml").write_text(
        '[sessions.values.technician]\nAnn = ["ann"]\nAnna = ["ann"]\n', encoding="utf-8"
    )
    with pytest.raises(UserError, match="'ann' is both Ann and Anna"):
        read_log([bleeds(tmp_path, "Ann")], str(tmp_path / "map.toml"))
