"""Every column that a board draws or computes with is in its data or new by an earlier transform."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest

from analysis.boards import analyst_board, lead_board, trainer_board
from analysis.charts import quick_composition, specification
from tests.pages.predicted import with_predictions
from tests.shops import report

DATUM = re.compile(r"datum\.(\w+)|datum\['(\w+)'\]|datum\[(\d+)\]")
PARTS = ("concat", "hconcat", "vconcat", "layer")
BOARDS = (lead_board, trainer_board, analyst_board)


@dataclass(frozen=True)
class Unit:
    """A chart with a mark: what it draws, its data, transforms and encodings with those of the charts around it."""

    mark: Any = None
    data: Any = None
    transforms: tuple[dict[str, Any], ...] = ()
    encoding: dict[str, Any] = field(default_factory=dict)


def units(spec: dict[str, Any], parent: Unit = Unit()) -> Iterator[Unit]:
    """Every chart with a mark; one with data of its own takes no transforms from around it."""
    earlier = () if "data" in spec else parent.transforms
    own = Unit(
        spec.get("mark"),
        spec.get("data", parent.data),
        (*earlier, *spec.get("transform", ())),
        parent.encoding | spec.get("encoding", {}),
    )
    if own.mark:
        yield own
    for name in PARTS:
        for part in spec.get(name, ()):
            yield from units(part, own)


def columns_of(data: dict[str, Any], datasets: dict[str, Any]) -> set[str]:
    rows = data.get("values", datasets.get(data.get("name", ""), []))
    rows = json.loads(rows) if isinstance(rows, str) else rows
    longest = max((len(row) for row in rows), default=0)
    return (
        {str(at) for at in range(longest)} if rows and isinstance(rows[0], list) else {k for row in rows for k in row}
    )


def used_in(expression: Any) -> set[str]:
    return {next(filter(None, match)) for match in DATUM.findall(expression)} if isinstance(expression, str) else set()


def after(transform: dict[str, Any], columns: set[str]) -> tuple[set[str], set[str]]:
    """What a transform uses, and the columns after it."""
    used = used_in(transform.get("filter")) | used_in(transform.get("calculate")) | set(transform.get("fold", ()))
    steps = [*transform.get("aggregate", ()), *transform.get("joinaggregate", ()), *transform.get("window", ())]
    grouped = set(transform.get("groupby", ()))
    used |= (
        {one["field"] for one in steps if one.get("field")}
        | grouped
        | {one["field"] for one in transform.get("sort", ())}
    )
    used |= ({transform["lookup"]} if "lookup" in transform else set()) | set(transform.get("flatten", ()))
    new = {one["as"] for one in steps} | set(transform.get("from", {}).get("fields", ()))
    if "as" in transform:
        new |= set(transform["as"]) if isinstance(transform["as"], list) else {transform["as"]}
    return used, (grouped | new) if "aggregate" in transform else columns | new


def encoded_columns(value: Any) -> Iterator[str]:
    """Columns of encodings, their conditions and tooltips."""
    if isinstance(value, dict):
        if isinstance(value.get("field"), str):
            yield value["field"]
        for key, part in value.items():
            if key == "test":
                yield from used_in(part)
            elif key != "axis":
                yield from encoded_columns(part)
    elif isinstance(value, list):
        for part in value:
            yield from encoded_columns(part)


def unknown_columns(chart: dict[str, Any]) -> list[tuple[str, set[str]]]:
    faults = []
    for unit in units(chart):
        columns = columns_of(unit.data, chart.get("datasets", {}))
        if not columns:
            continue  # no rows, so no column can be missing
        for transform in unit.transforms:
            used, later = after(transform, columns)
            faults += [(str(transform), used - columns)] if used - columns else []
            columns = later
        missing = set(encoded_columns(unit.encoding)) - columns
        faults += [(str(unit.mark), missing)] if missing else []
    return faults


@pytest.fixture(scope="module")
def charts() -> list[dict[str, Any]]:
    audited = with_predictions(report())
    with quick_composition():
        return [specification(board(audited)) for board in BOARDS]


def test_every_column_a_board_uses_exists(charts) -> None:
    for chart in charts:
        assert unknown_columns(chart) == []
        assert sum(1 for _ in units(chart)) > 10


@pytest.mark.parametrize("column", ["came_back", "share", "excess"])
def test_a_column_that_lost_its_name_is_found(charts, column) -> None:
    """The check can fail: one encoding or calculation renamed is reported."""
    for chart in charts:
        text = json.dumps(chart)
        if f'"field": "{column}"' in text:
            assert unknown_columns(json.loads(text.replace(f'"field": "{column}"', '"field": "renamed"', 1)))
            return
    pytest.fail(f"no board draws {column}")
