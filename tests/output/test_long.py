"""A long log is written by a thread beside, its risks as whoever told them wrote them out: the same bytes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.output import csv_parts, write_report, writing_log
from tests.output.killed import digest
from tests.shops import report


def test_a_long_log_is_written_as_a_short_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain, beside = tmp_path / "plain", tmp_path / "beside"
    plain.mkdir(), beside.mkdir()
    with writing_log(plain, report()) as nobody:
        assert nobody is None
        write_report(plain, report())
    monkeypatch.setattr("analysis.output.write.LONG", 0)
    told = replace(report(), risk_text=tuple(csv_parts(report().risk)))
    with writing_log(beside, told) as thread:
        assert thread is not None
        write_report(beside, told, beside=thread)
    assert digest(beside) == digest(plain)


def test_what_stops_the_thread_stops_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.output.write.LONG", 0)
    (tmp_path / "log").write_text("in the way")
    with pytest.raises(FileExistsError), writing_log(tmp_path, report()) as thread:
        write_report(tmp_path, report(), beside=thread)
