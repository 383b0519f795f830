"""JSON lines: one object per line; other lines are reported, and no value is rounded."""

from __future__ import annotations

import pytest

from analysis.errors import UserError
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.frames import jsonl_table
from analysis.intake.readers.raw_table import ROW, RawTable


def read(text: str | bytes) -> RawTable:
    return jsonl_table(Snapshot("log.jsonl", text if isinstance(text, bytes) else text.encode(), "0" * 64))


def test_rows_are_lines_and_every_key_is_a_column() -> None:
    table = read('{"id": "a", "n": 1}\n\n{"id": "b", "x": 1.5, "n": null}\n')
    assert table.cells.rows(named=True) == [
        {ROW: 1, "id": "a", "n": 1, "x": None},
        {ROW: 3, "id": "b", "n": None, "x": 1.5},
    ]


def test_a_line_that_is_not_an_object_is_broken() -> None:
    deep = "[" * 100_000
    table = read(f'{{"id": "a"}}\n{{"id": \n[1]\n"x"\n{deep}\n{{"id": "b"}}\n')
    assert table.broken[ROW].to_list() == [2, 3, 4, 5]
    assert table.broken["text"].to_list()[:3] == ['{"id": ', "[1]", '"x"']
    assert table.cells["id"].to_list() == ["a", "b"]


def test_mixed_and_nested_values_are_text() -> None:
    table = read('{"id": 7, "m": [1, {"a": "ü"}]}\n{"id": "x", "m": true}\n{"id": 2.0, "m": NaN}\n')
    assert table.cells["id"].to_list() == ["7", "x", "2"]
    assert table.cells["m"].to_list() == ['[1, {"a": "ü"}]', "true", None]


def test_objects_within_an_object_are_columns_of_their_own() -> None:
    lines = (
        '{"bike": {"serial": "K1", "size": {"cm": 54}}, "back": null, "why": {"a": 1}}',
        '{"bike": "K2", "back": {}, "why": null}',
    )
    table = read("\n".join(lines))
    assert table.cells.drop("__row__").to_dict(as_series=False) == {
        "bike.serial": ["K1", None], "bike.size.cm": [54, None], "back": [None, None], "why.a": [1, None],
        "bike": [None, "K2"],
    }  # fmt: skip


def test_objects_deep_within_others_stay_whole() -> None:
    deep = '{"a": {"b": {"c": {"d": {"e": {"f": 1}}}}}}'
    assert read(deep).cells.row(0, named=True)["a.b.c.d.e"] == '{"f": 1}'


def test_a_whole_number_too_large_for_a_column_is_kept_as_text() -> None:
    assert read('{"n": 123456789012345678901234567890}\n').cells["n"].to_list() == ["123456789012345678901234567890"]


def test_a_new_key_or_type_after_many_lines_is_read() -> None:
    lines = ['{"n": 1}'] * 60_000 + ['{"n": "x", "late": true}']
    table = read("\n".join(lines))
    assert table.cells.row(0) == (1, "1", None)
    assert table.cells.row(-1) == (60_001, "x", True)


@pytest.mark.parametrize("text", ["[1, 2]\n", '[{"id": 1},\n{"id": 2}]\n', "id,n\n", "\n\n", b"\x00\x01\x02" * 50])
def test_a_file_without_an_object_is_refused(text: str | bytes) -> None:
    with pytest.raises(UserError):
        read(text)


def test_a_key_named_like_the_row_number_is_read() -> None:
    assert read('{"__row__": 9, "id": "a"}\n').cells.columns[0] == ROW


def test_half_a_surrogate_pair_becomes_a_question_mark() -> None:
    table = read('{"id": "a\\ud800", "k\\udfff": 1}\n')
    assert table.cells.rows() == [(1, "a?", 1)]
    assert table.headings == ["id", "k?"]


def test_integers_and_decimals_of_different_batches_are_numbers() -> None:
    table = read("\n".join(['{"n": 1}'] * 50_000 + ['{"n": 1.5}']))
    assert table.cells["n"].to_list()[-2:] == [1.0, 1.5]
