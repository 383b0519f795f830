"""A chart saved in a notebook draws what the chart draws, from a fraction of the bytes."""

from __future__ import annotations

import base64
import json
import re
from io import BytesIO
from typing import Any

import altair as alt
import numpy as np
import polars as pl
import pytest
from PIL import Image

from analysis import analyst_board, charts, lead_board, trainer_board
from analysis.charts.embed import DIAMONDS, png
from analysis.charts.own_look import VEGALITE, mime_bundle
from analysis.charts.saved_spec import saved_spec
from analysis.charts.theme import LIGHT_PAPER
from analysis.drawing import render_png, render_svg
from analysis.parallel import WorkerExecutor
from tests.shops import report

CHARTS = [
    lead_board, trainer_board, analyst_board, charts.months_line, charts.step_board, charts.technique_board,
    charts.holds_by_day, charts.incidence_curve, charts.cusum_lines, charts.worklist_dots, charts.coaching_changes,
]  # fmt: skip
NUMBER = re.compile(r"-?\d+\.?\d*(?:e-?\d+)?")


def parts(svg: str) -> tuple[list[str], list[float]]:
    """The text between the numbers, and the numbers; a number and its rounded label are not the same text."""
    svg = re.sub(r'aria-\w+="[^"]*"|clip\d+', "", svg)
    return NUMBER.split(svg), [float(number) for number in NUMBER.findall(svg)]


@pytest.mark.parametrize("draw", CHARTS, ids=lambda draw: draw.__name__)
def test_the_saved_specification_draws_the_same_picture(draw: Any) -> None:
    spec = charts.specification(draw(report()))
    saved = saved_spec(spec)
    (text, numbers), (saved_text, saved_numbers) = (parts(render_svg(json.dumps(each))) for each in (spec, saved))
    assert saved_text == text
    assert saved_numbers == pytest.approx(numbers, abs=0.02)
    assert len(json.dumps(saved)) < max(0.9 * len(json.dumps(spec)), 5000)


@pytest.mark.parametrize(
    "column",
    [
        ["a", None, "c"], ["", "b", None], ["2024-01-05", None, "2024-03-01"], ["2024-01-05", "2024-02-01", "2024-03-01"],
        [1, None, 3.25], [True, False, None], [True, 2, "x"], [[1], [2], []], ['"quoted", twice', "a\nb", " c "], ["1", "2", "03"],
    ],
    ids=str,
)  # fmt: skip
def test_a_table_is_read_as_it_was(column: list[Any]) -> None:
    rows = [{"x": place, "it": value} for place, value in enumerate(column)]
    spec = {
        "data": {"name": "rows"}, "datasets": {"rows": rows}, "mark": "text",
        "transform": [{"calculate": "toString(datum.it) + '|' + isValid(datum.it) + '|' + isNumber(datum.it)", "as": "words"}],
        "encoding": {"x": {"field": "x", "type": "quantitative"}, "text": {"field": "words", "type": "nominal"}},
    }  # fmt: skip
    assert render_svg(json.dumps(saved_spec(spec))) == render_svg(json.dumps(spec))


def test_a_day_stays_a_day_and_a_time_keeps_its_digits() -> None:
    table = pl.DataFrame({"day": ["2024-01-05", "2024-02-01", "2024-03-01"], "at": [1717171717171.0, 2.0, 3.0]})
    chart = alt.Chart(table).mark_point().encode(x="day:T", y="at:Q")
    saved = saved_spec(chart.to_dict())
    assert render_svg(json.dumps(saved)) == render_svg(json.dumps(chart.to_dict()))
    assert "1717171717171" in json.dumps(saved)


@pytest.mark.parametrize("tooltip", [{"content": "data"}, alt.Undefined])
def test_columns_that_a_chart_may_use_without_naming_them_stay(tooltip: Any) -> None:
    table = pl.DataFrame({"x": [1, 2], "used_1": [3, 4]})
    chart = alt.Chart(table).mark_point(tooltip=tooltip).encode(x="x:Q")
    if tooltip is alt.Undefined:
        chart = chart.transform_calculate(y="datum['used_' + 1]").encode(y="y:Q")
    assert "used_1" in "".join(saved_spec(chart.to_dict())["datasets"].values())


def test_a_picture_keeps_its_colours_with_a_fraction_of_the_bytes() -> None:
    spec = charts.specification(trainer_board(report()))
    on_paper = spec | {"config": spec["config"] | {"background": LIGHT_PAPER}}
    text = json.dumps(on_paper, ensure_ascii=False).translate(DIAMONDS)
    full = WorkerExecutor().submit(render_png, text).result()  # this process may draw with the machine's fonts
    small = base64.b64decode(png(spec))
    assert len(small) < len(full) / 4
    one, other = (np.asarray(Image.open(BytesIO(each)).convert("RGB"), dtype=int) for each in (full, small))
    assert one.shape == other.shape
    assert abs(one - other).max() <= 24


def test_a_notebook_of_pictures_stores_nothing_else() -> None:
    chart = charts.specification(charts.months_line(report()))
    assert set(mime_bundle(chart, pictures=True)[0]) == {"image/png", "text/plain"}
    assert VEGALITE in mime_bundle(chart)[0]
