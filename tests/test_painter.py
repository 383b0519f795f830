"""A painter in a process of its own draws what this process would, and leaves nothing behind."""

from __future__ import annotations

import json
import os
import signal
import sys
from contextlib import nullcontext
from pathlib import Path

import pytest

from analysis import painter
from analysis.drawing import FONT, NOT_DRAWN
from analysis.hands import HERE as NOBODY_ELSE
from analysis.hands import hands_beside
from analysis.painter import HERE, Painter
from tests.test_hands import children, gone

CHART = json.dumps(
    {
        "data": {"values": [{"month": 1, "rate": 0.1}, {"month": 2, "rate": 0.2}]},
        "mark": "line",
        "encoding": {
            "x": {"field": "month", "type": "quantitative"},
            "y": {"field": "rate", "type": "quantitative"},
        },
    }
)

FORBIDDEN = CHART.replace('"month"', r'"mon\u000bth"')
"""A character that XML forbids ends the process that draws it."""


def test_both_painters_draw_the_same() -> None:
    with hands_beside(2) as hands:
        beside = Painter(hands)
        beside.order(CHART)
        assert beside.picture(CHART) == HERE.picture(CHART)


def test_a_picture_is_the_same_on_a_machine_without_fonts_and_names_those_a_reader_may_have(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_font = CHART[:-1] + f', "config": {{"axis": {{"labelFont": "{FONT}", "titleFont": "{FONT}"}}}}}}'
    monkeypatch.delenv("FONTCONFIG_FILE", raising=False)
    own = _drawn_beside(in_font)
    nothing = tmp_path / "none.conf"
    nothing.write_text(f"<fontconfig><dir>{tmp_path}</dir></fontconfig>")
    monkeypatch.setenv("FONTCONFIG_FILE", str(nothing))
    assert own == _drawn_beside(in_font)
    assert own.count(f'font-family="{FONT}"') == own.count("<text") > 4


def _drawn_beside(chart: str) -> str:
    with hands_beside(1) as hands:
        painter = Painter(hands)
        painter.order(chart)
        return painter.picture(chart)


def test_a_painter_that_died_is_stood_in_for() -> None:
    with hands_beside(2) as hands:
        beside = Painter(hands)
        beside.order(CHART)
        beside.picture(CHART)
        for child in children():
            os.kill(child, signal.SIGKILL)
            assert gone(child)
        other = CHART.replace("line", "bar")
        beside.order(other)
        assert beside.picture(other) == HERE.picture(other)


@pytest.mark.parametrize("chart", ['{"mark": "rks"}', FORBIDDEN], ids=["no chart", "ends its process"])
@pytest.mark.parametrize("workers", [0, 2])
def test_a_chart_that_cannot_be_drawn_is_replaced_by_a_sentence_and_the_next_is_drawn(chart: str, workers: int) -> None:
    with hands_beside(workers) if workers else nullcontext(NOBODY_ELSE) as hands:
        painter = Painter(hands)
        painter.order(chart)
        assert NOT_DRAWN in painter.picture(chart)
        assert NOT_DRAWN not in painter.picture(CHART)


def test_the_library_is_kept_whole_or_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(painter, "cache_from_source", lambda _: str(tmp_path / "sub" / "painter.pyc"))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    made = painter.library_text.__wrapped__()
    (kept,) = (tmp_path / "sub").iterdir()
    assert kept.read_text("utf-8") == made
    kept.write_text("kept")
    assert painter.library_text.__wrapped__() == "kept"
    monkeypatch.setattr(painter, "cache_from_source", lambda _: "/proc/none/painter.pyc")
    assert painter.library_text.__wrapped__() == made
