"""Charts: visible on light and dark paper, readable without colour and by screen readers, computing nothing."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
from collections.abc import Iterator
from functools import cache
from typing import Any
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


@cache
def all_charts() -> dict[str, Any]:
    audit = report()
    people = audit.rates.filter(pl.col("kind") == "technician")
    months = audit.months.filter(pl.col("kind") == "all")
    technique = audit.technique.with_columns(title=pl.col("step"))
    cusums = months.with_columns(cusum_up=0.5, cusum_down=0.25, cusum_limit=4.0, cusum_limit_down=3.0)
    reading = pl.DataFrame(
        {"reading": [0.5, 1.0], "risk": [0.1, 0.2], "lo": [0.05, 0.1], "hi": [0.2, 0.3], "bleeds": [9, 9]}
    )
    names = pl.DataFrame({"label": ["Alder on purge"], "missed_before": [0.4], "missed_after": [0.2], "change": [-0.2]})
    holds = pl.DataFrame(
        {"day": [dt.date(2026, 1, 1)], "hold": ["leak seen"], "session_id": ["s1"], "shop": ["Tarnholt"]}
    )
    figures = pl.DataFrame(
        {"rule": ["model", "base rate"], "value": [0.81234567, 0.5], "lo": [0.71234567, None], "hi": [0.9, None]}
    )
    risks = pl.DataFrame(
        {
            "session_id": ["s1"],
            "bike_id": ["b1"],
            "brake": ["front"],
            "risk": [0.31234567],
            "risk_lo": [0.1],
            "risk_hi": [0.5],
            "reason_1": ["soft lever"],
        }
    )
    checks = pl.DataFrame(
        {
            "share": [0.1, 0.5],
            "checks_per_week": [2.0, 9.0],
            "caught_per_100_comebacks": [30.0, 80.0],
            "minutes_saved": [1234.5, 99.0],
        }
    )
    deciles = pl.DataFrame({"predicted": [0.1], "observed": [0.12345678], "lo": [0.05], "hi": [0.2]})
    gauge = pl.DataFrame(
        {
            "source": ["gauge", "items"],
            "sd": [0.51234567, 2.0],
            "lo": [0.3, 1.0],
            "hi": [0.9, 4.0],
            "share_of_total": [0.2, 0.8],
        }
    )
    proof = pl.DataFrame(
        {
            "measure": ["a step is called"],
            "value": [0.04],
            "lo": [0.01],
            "hi": [0.1],
            "share": [True],
            "aim": ["at most 5%"],
            "target_min": [None],
            "target_max": [0.05],
            "met": [True],
            "workshops": [20],
        },
        schema_overrides={"target_min": pl.Float64},
    )
    readings = pl.DataFrame({"item": ["1", "2"], "technician": ["A", "B"], "reading": [1.25, 2.5]})
    return {
        "curve": charts.incidence_curve(audit.incidence, audit.window_days),
        "rates": charts.rate_dots(people, "technician"),
        "ratios": charts.ratio_dots(people, "technician"),
        "ratio board": charts.ratio_board(people, technician_work(people), "technician", "of the work"),
        "recalls": charts.holds_by_day(holds.with_columns(state=pl.lit("to recall"))),
        "months": charts.months_line(months),
        "cusum": charts.cusum_lines(cusums),
        "steps": charts.step_bars(audit.steps),
        "step board": charts.step_board(audit.steps.with_columns(title=pl.col("step")), technique),
        "missed": charts.missed_bars(audit.steps),
        "what if": charts.what_if_bars(audit.what_if),
        "tolerance": charts.tolerance_curve(reading.with_columns(tolerance_lo=0.6, tolerance_hi=0.9), "fill (%)"),
        "board": charts.technique_board(technique),
        "coaching": charts.coaching_changes(names.with_columns(lo=-0.3, hi=-0.1, p_value=0.01)),
        "recorded": charts.recorded_board(technique.select("technician", "share", field="title", bleeds="recorded")),
        "worklist": charts.worklist_dots(risks, 0.07),
        "second checks": charts.second_check_curve(checks),
        "baselines": charts.baseline_comparison(figures),
        "reliability": charts.reliability_curve(deciles),
        "quarters": charts.calibration_over_time(
            figures.select("value", "lo", "hi", quarter="rule").with_columns(lo=0.2, hi=9.5)
        ),
        "gauge bars": charts.gauge_bars(gauge),
        "gauge marks": charts.gauge_marks(readings, "lever travel (mm)"),
        "proof": charts.proof_dots(proof),
    }


CHARTS = (
    "curve",
    "rates",
    "ratios",
    "ratio board",
    "recalls",
    "months",
    "cusum",
    "steps",
    "step board",
    "missed",
    "what if",
    "tolerance",
    "board",
    "coaching",
    "recorded",
    "worklist",
    "second checks",
    "baselines",
    "reliability",
    "quarters",
    "gauge bars",
    "gauge marks",
    "proof",
)


def channels(part: Any) -> Iterator[dict[str, Any]]:
    """Every encoded field of a chart, those of tooltips included."""
    if isinstance(part, list):
        for one in part:
            yield from channels(one)
    elif isinstance(part, dict):
        for channel, value in part.get("encoding", {}).items():
            yield from (
                {"channel": channel, **one} for one in (value if isinstance(value, list) else [value]) if "field" in one
            )
        for name, value in part.items():
            if name not in ("encoding", "datasets", "data"):
                yield from channels(value)


def test_every_public_chart_is_tested() -> None:
    created = {
        name
        for name in charts.__all__
        if name.endswith(
            ("dots", "bars", "board", "curve", "line", "lines", "marks", "day", "changes", "comparison", "time")
        )
    }
    assert len(created) == len(CHARTS) == len(all_charts())


@pytest.mark.parametrize("name", CHARTS)
def test_every_field_has_a_title_in_words_and_every_number_a_format(name: str) -> None:
    """Screen readers read the title, or the column's name where there is none, and the number in full without a format."""
    for channel in channels(charts.specification(all_charts()[name])):
        title = channel.get("title")
        assert title, channel
        assert "_" not in str(title), channel
        formats = [channel, *(channel.get(guide) or {} for guide in ("axis", "legend"))]
        hidden = channel["channel"] in ("x2", "y2", "size")
        if channel.get("type") == "quantitative" and not hidden and title not in UNREAD:
            assert any("format" in one for one in formats), channel


UNREAD = ("reference", "day", "as predicted")
"""Titles of lines that are hidden from screen readers, and of days, which are whole."""
ARIA = re.compile(r'aria-label="([^"]*)"')


@pytest.mark.parametrize("name", CHARTS)
def test_screen_readers_get_words_and_rounded_numbers(name: str) -> None:
    labels = ARIA.findall(charts.svg(charts.specification(all_charts()[name])))
    marks = [text for text in labels if ": " in text and not text.startswith(("X-axis", "Y-axis", "Symbol legend"))]
    assert marks
    titles = [re.findall(r"titled '(.*?)' for", text) for text in labels]
    assert not any(title[0].count(title[0][:12]) > 1 or "reference" in title[0] for title in titles if title)
    for text in marks:
        assert not re.search(r"\d\.\d{5}", text), text
        assert "null" not in text, text
        assert not re.search(r"(^|; )(told|label|lo|hi|x|y|[a-z]+_[a-z_]+): ", text), text


@pytest.mark.parametrize("name", CHARTS)
def test_a_chart_has_a_description_in_words(name: str) -> None:
    description = charts.specification(all_charts()[name])["description"]
    assert len(description) > 20
    assert "_" not in description.split(":")[0]


def test_polars_print_settings_do_not_change_a_chart() -> None:
    """The chart library names its views by the text of a table as it prints."""
    plain = charts.specification(all_charts()["board"])
    with pl.Config(tbl_rows=1, fmt_str_lengths=3):
        assert charts.specification(all_charts()["board"]) == plain


@pytest.mark.parametrize("name", ["rates", "steps"])
def test_intervals_in_a_chart_are_those_of_the_table(name: str) -> None:
    spec = charts.specification(all_charts()[name])
    rows = list(itertools.chain.from_iterable(spec["datasets"].values()))
    table = report().rates.filter(pl.col("kind") == "technician") if name == "rates" else report().steps
    lo, hi, key = ("rate_lo", "rate_hi", "group") if name == "rates" else ("lo", "hi", "title")
    limits = {row[key]: (row[lo], row[hi]) for row in table.iter_rows(named=True)}
    own_rows = [row for row in rows if key in row]
    assert own_rows
    for row in own_rows:
        assert (row[lo], row[hi]) == pytest.approx(limits[row[key]])


def test_a_signal_has_a_mark_as_well_as_a_colour() -> None:
    spec = json.dumps(charts.specification(all_charts()["rates"]))
    assert "triangle-up" in spec
    assert "clearly more" in spec


def test_a_chart_can_be_made_of_no_rows() -> None:
    audit = report()
    for chart in (
        charts.rate_dots(audit.rates.clear(), "workshop"),
        charts.step_bars(audit.steps.clear()),
        charts.months_line(audit.months.clear()),
    ):
        assert charts.specification(chart)["description"]


def test_only_long_labels_are_cut() -> None:
    people = report().rates.filter(pl.col("kind") == "technician")
    short = charts.specification(charts.rate_dots(people, "technician"))
    assert short["config"]["axis"]["labelLimit"] == 0
    limited = json.loads(json.dumps(short))
    limited["config"]["axis"]["labelLimit"] = limited["config"]["legend"]["labelLimit"] = 300
    text = re.compile(r">([^<>]+)</text>")
    assert text.findall(charts.svg(short)) == text.findall(charts.svg(limited))
    name = "W" * 60
    long = charts.specification(charts.rate_dots(people.with_columns(group=pl.lit(name)), "technician"))
    assert not any(name in label for label in text.findall(charts.svg(long)))


@pytest.mark.parametrize(
    "name",
    [
        *(f"Wr{sign}en" for sign in (*map(chr, range(0x20)), "\x7f", "\x85", "\u2028", "\u2029", "\ufffe", "\uffff")),
        *("q\"uo'te", "back\\slash", "</script>", "&amp;", "\U0001fffe", "e\u0301\u202e", " ", "W" * 100_000),
    ],
    ids=ascii,
)
def test_any_name_can_be_drawn_and_selected(name: str) -> None:
    """Characters that XML 1.0 forbids, line ends of an expression, very long names."""
    audit = report()
    people = audit.rates.filter(pl.col("kind") == "technician")
    renamed = people.with_columns(group=pl.when(pl.int_range(pl.len()) == 0).then(pl.lit(name)).otherwise("group"))
    work = technician_work(renamed)
    for chart in (
        charts.rate_dots(renamed, "technician"),
        charts.ratio_board(renamed, work, "technician", "of the work", name),
        charts.gauge_marks(
            renamed.select("group", item=pl.lit(name), technician="group", reading=pl.col("rate")), name
        ),
    ):
        picture = charts.svg(charts.specification(chart))
        ElementTree.fromstring(picture)
        assert NOT_DRAWN not in picture
        assert len(picture) < 100_000


def test_a_chart_of_1000_groups_shows_60_those_with_a_signal_first() -> None:
    audit = report()
    own = audit.rates.filter(pl.col("kind") == "technician", pl.col("ratio_lo").is_not_null()).head(1)
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


def test_a_board_of_3000_technicians_shows_60_those_unlike_their_peers_first() -> None:
    technique = report().technique
    titles = dict(report().steps.select("step", "title").iter_rows())
    steps = (
        technique.filter(pl.col("excess").is_not_null())
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
        names = {row["technician"] for rows in spec["datasets"].values() for row in rows if "technician" in row}
        assert len(names) == 60
        assert "Person 2999" in names
    assert "60 of 3,000" in json.dumps(charts.specification(charts.technique_board(many)))


def technician_work(rates: pl.DataFrame) -> pl.DataFrame:
    return rates.select(
        "group",
        what=pl.lit("front"),
        place=pl.lit(0),
        n=pl.lit(1),
        of=pl.lit(2),
        share=pl.lit(0.5),
        share_all=pl.lit(0.5),
    )


@pytest.mark.parametrize("bleeds", [600, 601, 50_000])
def test_every_recall_has_a_mark_or_is_counted(bleeds: int) -> None:
    start = dt.date(2024, 1, 1)
    holds = pl.DataFrame(
        {
            "day": [start + dt.timedelta(days=i % 800) for i in range(bleeds)],
            "hold": ["leak seen", "lever not firm"] * (bleeds // 2) + ["leak seen"] * (bleeds % 2),
            "session_id": [f"s{i}" for i in range(bleeds)],
            "shop": "Tarnholt",
            "state": ["to recall" if i % 3 else "closed since" for i in range(bleeds)],
        }
    )
    spec = charts.specification(charts.holds_by_day(holds))
    (rows,) = spec["datasets"].values()
    assert sum(row.get("bleeds", 1) for row in rows) == bleeds
    assert len(rows) <= 600
    assert charts.svg(spec).startswith("<svg")


@pytest.mark.parametrize(
    ("start", "words"),
    [
        (None, ("2 checks a week (10%)", "30 of 100 comebacks covered", "5 hours a year saved")),
        (3, ("3 checks a week (20%)", "35 of 100 comebacks covered", "about break even")),
        (99, ("5 checks a week (50%)", "50 of 100 comebacks covered", "1 hour a year lost")),
    ],
)
def test_the_slider_of_second_checks_starts_at_the_best_number_and_answers_between_rows(
    start: float | None, words: tuple[str, ...]
) -> None:
    checks = pl.DataFrame(
        {
            "share": [0.1, 0.3, 0.5],
            "checks_per_week": [2.0, 4.0, 4.5],
            "caught_per_100_comebacks": [30.0, 40.0, 50.0],
            "minutes_saved": [300.0, -300.0, -60.0],
        }
    )
    picture = charts.svg(charts.specification(charts.second_check_curve(checks, start)))
    assert all(one in picture for one in (*words, "picked at random"))


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
    assert drawn_limits == {("getting worse", 4.0), ("getting better", 3.0)}


def test_the_detail_of_every_choice_has_one_axis_for_all() -> None:
    technique = report().technique.filter(pl.col("excess").is_not_null()).with_columns(title=pl.col("step"))
    wide = technique.with_columns(lo=-0.31, hi=0.58)
    for chart in (
        charts.technique_board(wide),
        charts.step_board(report().steps.with_columns(title=pl.col("step")), wide),
    ):
        assert '"domain": [-0.4, 0.6]' in json.dumps(charts.specification(chart))
