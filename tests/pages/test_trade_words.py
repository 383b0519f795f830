"""No column's name stands where a mechanic reads: in answers, headings, axes, hovering words, cells of tables."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import polars as pl
import pytest

from analysis.pages.analyst import analyst_questions
from analysis.pages.beside import return_ages, work_taken
from analysis.pages.blocks import Question
from analysis.pages.lead import lead_questions
from analysis.pages.trade_words import FIELD_WORDS, RULE_WORDS, TABLE_WORDS, field_words, level_words, reading_words
from analysis.pages.trainer import trainer_questions
from schemas import LOG_TABLES, dictionary
from schemas.outputs import RULES
from tests.pages.foretold import foretold
from tests.shops import report

COLUMN = re.compile(r"\b[a-z]+(_[a-z0-9]+)+\b")


def questions() -> list[Question]:
    told = foretold(report())
    return [*lead_questions(told), *trainer_questions(told), *analyst_questions(told)]


def test_every_field_of_a_bleed_has_a_word() -> None:
    assert {entry.name for entry in dictionary("sessions", LOG_TABLES["sessions"])} <= set(FIELD_WORDS)


def test_every_table_and_rule_has_a_word() -> None:
    assert set(TABLE_WORDS) == set(LOG_TABLES)
    assert set(RULE_WORDS) == set(RULES)


@pytest.mark.parametrize(
    ("told", "word"),
    [
        (field_words("lever_travel_after_mm"), "lever travel after"),
        (field_words("own.rack_no"), "rack no"),
        (reading_words("lever_reach_mm"), "lever reach, mm"),
        (reading_words("cycles"), "passes of fluid"),
        (level_words("dot5.1"), "DOT 5.1"),
        (level_words("leak_repair"), "leak repair"),
    ],
)
def test_a_name_is_said_as_it_is_in_the_trade(told: str, word: str) -> None:
    assert told == word


def test_no_column_name_stands_on_an_axis_or_in_hovering_words() -> None:
    for question in questions():
        for spec in question.charts:
            for title in titles(spec):
                assert not COLUMN.search(title), (question.id, title)


def test_no_column_name_stands_in_a_heading_an_answer_or_a_point() -> None:
    for question in questions():
        headings = question.table.headings if question.table else ()
        for text in (question.answer, *question.points, *headings):
            assert not COLUMN.search(text), (question.id, text)


def test_shares_of_the_work_add_up_and_are_counts() -> None:
    mature = report().ready.bleeds.filter("mature")
    work = work_taken(report()).with_columns(back=(pl.col("share") * pl.col("of")).round())
    assert work.get_column("back").to_list() == work.get_column("n").to_list()
    assert int(work.get_column("n").sum()) <= mature.height
    wren = work.row(0, named=True)
    own = mature.filter(pl.col("technician") == wren["group"])
    assert wren["of"] == own.height


def test_returns_by_their_age_count_every_return_of_a_model() -> None:
    back = report().ready.bleeds.filter(pl.col("return_days").is_not_null(), pl.col("brake_model").is_not_null())
    assert int(return_ages(report()).get_column("n").sum()) == back.height


def titles(part: Any) -> Iterator[str]:
    """Every title of a specification, wherever it stands; and the field itself where a hovering word has no title."""
    if isinstance(part, dict):
        for key, value in part.items():
            if key == "title" and value:
                yield from [value] if isinstance(value, str) else [str(v) for v in value if isinstance(v, str)]
            if key == "tooltip":
                for tip in value if isinstance(value, list) else [value]:
                    yield str(tip.get("title", tip.get("field"))) if isinstance(tip, dict) else str(tip)
            yield from titles(value)
    elif isinstance(part, list):
        for one in part:
            yield from titles(one)
