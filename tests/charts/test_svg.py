"""A worker draws what this process would; a chart that ends its worker costs only its own picture."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

from analysis.charts import embed
from analysis.charts.embed import SvgRenderer
from analysis.drawing import FONT, NOT_DRAWN, render_svg
from analysis.parallel import SerialExecutor, WorkerExecutor

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
DEADLY = "ends the process that draws it"


def draw_or_die(chart: str) -> str:
    """A drawing library whose process ends on one chart."""
    if chart == DEADLY:
        os.abort()
    return f"drawn {chart}"


def draw_in_worker(chart: str) -> str:
    with WorkerExecutor() as executor:
        renderer = SvgRenderer(executor)
        renderer.prefetch(chart)
        return renderer.svg(chart)


def test_a_worker_draws_the_same() -> None:
    assert draw_in_worker(CHART) == render_svg(CHART)


def test_a_picture_is_the_same_on_a_machine_without_fonts_and_names_those_a_reader_may_have(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_font = CHART[:-1] + f', "config": {{"axis": {{"labelFont": "{FONT}", "titleFont": "{FONT}"}}}}}}'
    monkeypatch.delenv("FONTCONFIG_FILE", raising=False)
    own = draw_in_worker(in_font)
    nothing = tmp_path / "none.conf"
    nothing.write_text(f"<fontconfig><dir>{tmp_path}</dir></fontconfig>")
    monkeypatch.setenv("FONTCONFIG_FILE", str(nothing))
    assert own == draw_in_worker(in_font)
    assert own.count(f'font-family="{FONT}"') == own.count("<text") > 4


def test_a_chart_that_ends_its_worker_costs_one_picture_and_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(embed, "render_svg", draw_or_die)
    with WorkerExecutor() as executor:
        renderer = SvgRenderer(executor)
        for chart in ("a", DEADLY, "b", "c"):
            renderer.prefetch(chart)
        pictures = [renderer.svg(chart) for chart in ("a", DEADLY, "b", "c")]
    assert [pictures[0], *pictures[2:]] == ["drawn a", "drawn b", "drawn c"]
    assert NOT_DRAWN in pictures[1]


@pytest.mark.parametrize("chart", ['{"mark": "rks"}', FORBIDDEN], ids=["no chart", "ends its process"])
@pytest.mark.parametrize("make", [WorkerExecutor, SerialExecutor])
def test_a_chart_that_cannot_be_drawn_is_replaced_by_a_sentence_and_the_next_is_drawn(
    chart: str, make: type[WorkerExecutor | SerialExecutor]
) -> None:
    with make() as executor:
        renderer = SvgRenderer(executor)
        renderer.prefetch(chart)
        assert NOT_DRAWN in renderer.svg(chart)
        assert NOT_DRAWN not in renderer.svg(CHART)


def test_the_library_is_cached_whole_or_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(embed, "cache_from_source", lambda _: str(tmp_path / "sub" / "embed.pyc"))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    script = embed.chart_library_script.__wrapped__()
    (cached,) = (tmp_path / "sub").iterdir()
    assert cached.read_text("utf-8") == script
    cached.write_text("cached")
    assert embed.chart_library_script.__wrapped__() == "cached"
    monkeypatch.setattr(embed, "cache_from_source", lambda _: "/proc/none/embed.pyc")
    assert embed.chart_library_script.__wrapped__() == script
