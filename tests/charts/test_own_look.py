"""A chart of ours keeps its look and shows itself in a notebook; the user's charts keep theirs."""

from __future__ import annotations

import base64

import altair as alt
import polars as pl
import pytest

from analysis import UserError, charts, lead_board
from analysis.charts.own_look import VEGALITE
from tests.shops import report

FROM_A_REPORT = [
    "baseline_comparison", "calibration_over_time", "coaching_changes", "cusum_lines", "holds_by_day", "incidence_curve",
    "missed_bars", "months_line", "reliability_curve", "second_check_curve", "step_bars", "step_board",
    "technique_board", "what_if_bars", "worklist_dots",
]  # fmt: skip


def users_chart() -> alt.Chart:
    return alt.Chart(pl.DataFrame({"x": [1, 2]})).mark_point().encode(x="x:Q")


def test_a_chart_brings_its_look_and_the_users_keep_theirs() -> None:
    ours = charts.months_line(report())
    assert ours.to_dict()["config"]["background"] == "transparent"
    assert ours.properties(title="own").to_dict()["config"]["background"] == "transparent"
    assert "background" not in users_chart().to_dict()["config"]
    assert "background" not in alt.hconcat(charts.step_bars(report()), users_chart()).to_dict()["config"]
    assert alt.theme.active == "default"


@pytest.mark.parametrize("draw", [charts.months_line, lead_board])
def test_a_notebook_gets_the_specification_a_picture_and_words_but_no_script(draw) -> None:
    data, metadata = draw(report())._repr_mimebundle_()
    assert set(data) == {VEGALITE, "image/png", "text/plain"}
    assert base64.b64decode(data["image/png"]).startswith(b"\x89PNG")
    assert data[VEGALITE]["$schema"].endswith("vega-lite/v5.json")
    assert all(isinstance(rows, str) for rows in data[VEGALITE]["datasets"].values())
    assert metadata["image/png"]["alt"] == data["text/plain"]
    assert metadata[VEGALITE]["embed_options"]["actions"] is False


def test_a_renderer_that_the_user_chose_is_used() -> None:
    with alt.renderers.enable("mimetype"):
        assert VEGALITE not in charts.months_line(report())._repr_mimebundle_()


def test_the_widget_takes_a_chart_of_ours() -> None:
    pytest.importorskip("anywidget")
    assert alt.JupyterChart(charts.months_line(report())).spec["config"]["background"] == "transparent"


@pytest.mark.parametrize("name", FROM_A_REPORT)
def test_a_chart_takes_the_report(name: str) -> None:
    assert len(charts.specification(getattr(charts, name)(report()))["description"]) > 20


@pytest.mark.parametrize(
    ("name", "table"),
    [("technique_board", "technique"), ("coaching_changes", "coaching"), ("baseline_comparison", "model"),
     ("reliability_curve", "model"), ("calibration_over_time", "model"), ("second_check_curve", "second_checks"),
     ("step_bars", "steps"), ("missed_bars", "steps"), ("what_if_bars", "what_if")],
)  # fmt: skip
def test_a_chart_takes_the_table_as_written(name: str, table: str) -> None:
    assert charts.specification(getattr(charts, name)(getattr(report(), table)))["description"]


@pytest.mark.parametrize(
    ("draw", "message"),
    [
        (lambda: charts.months_line(report().months), "mixes"),
        (lambda: charts.cusum_lines(report().months), "mixes"),
        (lambda: charts.rate_dots(report().rates, "technician"), "mixes"),
        (lambda: charts.tolerance_curve(report().tolerance), "mixes"),
        (lambda: charts.holds_by_day(report().holds), "has no column day"),
        (lambda: charts.step_board(report().steps), "no misses by technician"),
        (lambda: charts.incidence_curve(report().incidence), "no window"),
        (lambda: charts.worklist_dots(report().risk), "more than one list"),
        (lambda: charts.months_line("months"), "was given a str"),
    ],
)
def test_a_mixed_or_foreign_table_is_refused(draw, message: str) -> None:
    with pytest.raises(UserError, match=message):
        draw()
