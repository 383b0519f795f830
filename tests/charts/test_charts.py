"""Charts: seen on light and on dark paper, told apart without colour, described in words, computing nothing."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re

import polars as pl
import pytest

from analysis import charts
from tests.shops import report


def luminance(colour: str) -> float:
    """WCAG 2.1 relative luminance, https://www.w3.org/TR/WCAG21/#dfn-relative-luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(
    ("paper", "colour"), list(itertools.product((charts.LIGHT_PAPER, charts.DARK_PAPER), charts.COLOURS))
)
def test_a_mark_stands_out_from_its_paper(paper: str, colour: str) -> None:
    """WCAG 2.1, 1.4.11 Non-text Contrast: at least 3 to 1."""
    assert contrast(colour, paper) >= 3


def test_contrast_of_black_on_white_is_the_standards_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


def drawn() -> dict[str, object]:
    told = report()
    people = told.rates.filter(pl.col("kind") == "technician")
    months = told.months.filter(pl.col("kind") == "all")
    return {
        "curve": charts.incidence_curve(told.incidence, told.window_days),
        "rates": charts.rate_dots(people, "technician"),
        "ratios": charts.ratio_dots(people, "technician"),
        "months": charts.months_line(months),
        "steps": charts.step_bars(told.steps),
        "missed": charts.missed_bars(told.steps),
        "board": charts.technique_board(told.technique.with_columns(title=pl.col("step"))),
    }


@pytest.mark.parametrize("name", ["curve", "rates", "ratios", "months", "steps", "missed", "board"])
def test_a_chart_has_a_description_in_words(name: str) -> None:
    told = charts.specification(drawn()[name])["description"]
    assert len(told) > 20
    assert "_" not in told.split(":")[0]


def test_how_tables_print_changes_no_chart() -> None:
    """The chart library names its views by the text of a table as it prints."""
    plain = charts.specification(drawn()["board"])
    with pl.Config(tbl_rows=1, fmt_str_lengths=3):
        assert charts.specification(drawn()["board"]) == plain


@pytest.mark.parametrize("name", ["rates", "steps"])
def test_every_interval_drawn_is_the_tables_own(name: str) -> None:
    spec = charts.specification(drawn()[name])
    rows = list(itertools.chain.from_iterable(spec["datasets"].values()))
    table = report().rates.filter(pl.col("kind") == "technician") if name == "rates" else report().steps
    lo, hi, key = ("rate_lo", "rate_hi", "group") if name == "rates" else ("lo", "hi", "title")
    known = {row[key]: (row[lo], row[hi]) for row in table.iter_rows(named=True)}
    shown = [row for row in rows if key in row]
    assert shown
    for row in shown:
        assert (row[lo], row[hi]) == pytest.approx(known[row[key]])


def test_a_signal_has_a_mark_as_well_as_a_colour() -> None:
    spec = json.dumps(charts.specification(drawn()["rates"]))
    assert "triangle-up" in spec
    assert "more than chance" in spec


def test_a_chart_of_no_rows_is_still_a_chart() -> None:
    told = report()
    for chart in (
        charts.rate_dots(told.rates.clear(), "workshop"),
        charts.step_bars(told.steps.clear()),
        charts.months_line(told.months.clear()),
    ):
        assert charts.specification(chart)["description"]


def test_a_label_is_cut_where_a_name_is_long_and_the_picture_is_the_same_where_none_is() -> None:
    people = report().rates.filter(pl.col("kind") == "technician")
    short = charts.specification(charts.rate_dots(people, "technician"))
    assert short["config"]["axis"]["labelLimit"] == 0
    limited = json.loads(json.dumps(short))
    limited["config"]["axis"]["labelLimit"] = limited["config"]["legend"]["labelLimit"] = 300
    text = re.compile(r">([^<>]+)</text>")
    assert text.findall(charts.picture(short)) == text.findall(charts.picture(limited))
    name = "W" * 60
    long = charts.specification(charts.rate_dots(people.with_columns(group=pl.lit(name)), "technician"))
    assert not any(name in told for told in text.findall(charts.picture(long)))


@pytest.mark.parametrize("bleeds", [600, 601, 50_000])
def test_every_bleed_on_hold_is_drawn_or_counted(bleeds: int) -> None:
    start = dt.date(2024, 1, 1)
    holds = pl.DataFrame(
        {
            "day": [start + dt.timedelta(days=i % 800) for i in range(bleeds)],
            "hold": ["leak seen", "lever not firm"] * (bleeds // 2) + ["leak seen"] * (bleeds % 2),
            "session_id": [f"s{i}" for i in range(bleeds)],
            "shop": "Tarnholt",
            "state": ["to be called back" if i % 3 else "closed by a later bleed" for i in range(bleeds)],
        }
    )
    spec = charts.specification(charts.holds_by_day(holds))
    (rows,) = spec["datasets"].values()
    assert sum(row.get("bleeds", 1) for row in rows) == bleeds
    assert len(rows) <= 600
    assert charts.picture(spec).startswith("<svg")
