"""Charts: seen on light and on dark paper, told apart without colour, described in words, computing nothing."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
from xml.etree import ElementTree

import polars as pl
import pytest

from analysis import charts
from analysis.drawing import NOT_DRAWN
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
    assert "clearly more" in spec


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
    assert text.findall(charts.svg(short)) == text.findall(charts.svg(limited))
    name = "W" * 60
    long = charts.specification(charts.rate_dots(people.with_columns(group=pl.lit(name)), "technician"))
    assert not any(name in told for told in text.findall(charts.svg(long)))


@pytest.mark.parametrize(
    "name",
    [
        *(f"Wr{sign}en" for sign in (*map(chr, range(0x20)), "\x7f", "\x85", "\u2028", "\u2029", "\ufffe", "\uffff")),
        *("q\"uo'te", "back\\slash", "</script>", "&amp;", "\U0001fffe", "e\u0301\u202e", " ", "W" * 100_000),
    ],
    ids=ascii,
)
def test_any_name_can_be_drawn_and_chosen(name: str) -> None:
    """Characters that XML 1.0 forbids, ends of a line to an expression, names without end."""
    told = report()
    people = told.rates.filter(pl.col("kind") == "technician")
    named = people.with_columns(group=pl.when(pl.int_range(pl.len()) == 0).then(pl.lit(name)).otherwise("group"))
    work = technician_work(named)
    for chart in (
        charts.rate_dots(named, "technician"),
        charts.ratio_board(named, work, "technician", "of the work", name),
        charts.gauge_marks(named.select("group", item=pl.lit(name), technician="group", reading=pl.col("rate")), name),
    ):
        drawn = charts.svg(charts.specification(chart))
        ElementTree.fromstring(drawn)
        assert NOT_DRAWN not in drawn
        assert len(drawn) < 100_000


def test_of_a_thousand_groups_those_with_a_signal_and_the_largest_are_drawn_and_it_is_said() -> None:
    told = report()
    own = told.rates.filter(pl.col("kind") == "technician", pl.col("ratio_lo").is_not_null()).head(1)
    place = pl.int_range(pl.len())
    many = pl.concat([own] * 1000).with_columns(
        group=pl.format("Person {}", place),
        mature=(place % 500).cast(own.schema["mature"]),
        signal=pl.when(place == 700).then(pl.lit("high")).otherwise(pl.lit("none")),
    )
    for chart in (charts.rate_dots(many, "technician"), charts.ratio_dots(many, "technician")):
        rows = max(charts.specification(chart)["datasets"].values(), key=len)
        names = {row["group"] for row in rows}
        assert len(names) == 60
        assert {"Person 700", "Person 499", "Person 999"} <= names


def test_of_three_thousand_technicians_a_board_shows_those_unlike_their_peers() -> None:
    told = report().technique
    titles = dict(report().steps.select("step", "title").iter_rows())
    steps = (
        told.filter(pl.col("excess").is_not_null())
        .unique("step")
        .with_columns(title=pl.col("step").replace(titles), lo=-0.5, hi=0.5)
    )
    people = pl.DataFrame({"who": [f"Person {place}" for place in range(3_000)]})
    many = people.join(steps, how="cross").with_columns(
        technician="who", lo=pl.when(pl.col("who") == "Person 2999").then(0.1).otherwise("lo"), recorded=pl.lit(1)
    )
    assert many.height > 10_000
    for chart in (charts.technique_board(many), charts.step_board(report().steps, many)):
        spec = charts.specification(chart)
        shown = {row["technician"] for rows in spec["datasets"].values() for row in rows if "technician" in row}
        assert len(shown) == 60
        assert "Person 2999" in shown
    assert "60 of 3,000" in json.dumps(charts.specification(charts.technique_board(many)))


def technician_work(named: pl.DataFrame) -> pl.DataFrame:
    return named.select(
        "group",
        what=pl.lit("front"),
        place=pl.lit(0),
        n=pl.lit(1),
        of=pl.lit(2),
        share=pl.lit(0.5),
        share_all=pl.lit(0.5),
    )


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
    assert charts.svg(spec).startswith("<svg")


def test_each_cusum_is_drawn_with_its_own_limit() -> None:
    months = (
        report()
        .months.filter(kind="all")
        .with_columns(
            cusum_up=pl.lit(1.0), cusum_down=pl.lit(0.5), cusum_limit=pl.lit(4.0), cusum_limit_down=pl.lit(3.0)
        )
    )
    (rows,) = charts.specification(charts.cusum_lines(months))["datasets"].values()
    drawn_limits = {(row["side"], row["limit"]) for row in rows}
    assert drawn_limits == {("for worse", 4.0), ("for better", 3.0)}
