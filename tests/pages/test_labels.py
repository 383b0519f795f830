"""No column name appears where a mechanic reads: in answers, headings, axes, tooltips."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import polars as pl
import pytest

from analysis.pages.analyst import analyst_questions
from analysis.pages.labels import TABLE_LABELS, level_label
from analysis.pages.lead import lead_questions
from analysis.pages.lead_differences import comeback_time_shares, work_mix
from analysis.pages.question import Question
from analysis.pages.trainer import trainer_questions
from schemas import LOG_TABLES, field_label, log_fields, reading_label
from tests.pages.predicted import with_predictions
from tests.shops import report

COLUMN = re.compile(r"\b[a-z]+(_[a-z0-9]+)+\b")


def questions() -> list[Question]:
    audited = with_predictions(report())
    return [*lead_questions(audited), *trainer_questions(audited), *analyst_questions(audited)]


def test_every_table_and_field_has_a_label() -> None:
    assert set(TABLE_LABELS) == set(LOG_TABLES)
    assert all(one.label and not COLUMN.search(one.label) for one in log_fields().values())


@pytest.mark.parametrize(
    ("label", "expected"),
    [
        (field_label("lever_travel_after_mm"), "lever travel after"),
        (field_label("own.rack_no"), "rack no"),
        (reading_label("lever_reach_mm"), "lever reach, mm"),
        (reading_label("cycles"), "passes"),
        (level_label("dot5.1"), "DOT 5.1"),
        (level_label("leak_repair"), "leak repair"),
    ],
)
def test_a_label_is_the_trades_word(label: str, expected: str) -> None:
    assert label == expected


def test_no_column_name_is_on_an_axis_or_in_a_tooltip() -> None:
    for question in questions():
        for spec in question.charts:
            for title in titles(spec):
                assert not COLUMN.search(title), (question.id, title)


def test_no_column_name_is_in_a_heading_an_answer_or_a_point() -> None:
    for question in questions():
        headings = question.table.headings if question.table else ()
        for text in (str(question.answer), *question.points, *headings):
            assert not COLUMN.search(text), (question.id, text)


def test_shares_of_the_work_add_up_and_are_counts() -> None:
    mature = report().data.bleeds.filter("mature")
    work = work_mix(report()).with_columns(back=(pl.col("share") * pl.col("of")).round())
    assert work.get_column("back").to_list() == work.get_column("n").to_list()
    assert int(work.get_column("n").sum()) <= mature.height
    wren = work.row(0, named=True)
    own = mature.filter(pl.col("technician") == wren["group"])
    assert wren["of"] == own.height


def test_times_of_comebacks_count_every_comeback_of_a_model() -> None:
    back = report().data.bleeds.filter(pl.col("return_days").is_not_null(), pl.col("brake_model").is_not_null())
    assert int(comeback_time_shares(report()).get_column("n").sum()) == back.height


def titles(part: Any) -> Iterator[str]:
    """Every title of a specification; the field itself where a tooltip has no title."""
    if isinstance(part, dict):
        for key, value in part.items():
            if key == "datasets":
                continue
            if key == "title" and value:
                yield from [value] if isinstance(value, str) else [str(v) for v in value if isinstance(v, str)]
            if key == "tooltip":
                for tip in value if isinstance(value, list) else [value]:
                    yield str(tip.get("title", tip.get("field"))) if isinstance(tip, dict) else str(tip)
            yield from titles(value)
    elif isinstance(part, list):
        for one in part:
            yield from titles(one)
