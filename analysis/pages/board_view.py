"""A board on a page: its chart, the form that selects with it, and the bleeds of the selection."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from analysis.boards import WORK, KeyFigure
from analysis.charts import specification
from analysis.report import Report


@dataclass(frozen=True)
class FormChoice:
    """One list of the form: the parameter it sets, its label, and the names to choose from."""

    name: str
    label: str
    options: tuple[str, ...]


@dataclass(frozen=True)
class BoardView:
    """What a page needs to show a board.

    `periods` are the months that can be chosen, with their names; `says` whether the chart says its selection in words;
    `links` addresses and words of what other pages say about it.
    """

    chart: dict[str, Any]
    choices: tuple[FormChoice, ...]
    periods: tuple[tuple[str, str], ...]
    says: bool = False
    legend: tuple[str, ...] = ()
    figures: tuple[KeyFigure, ...] = ()
    bleeds: dict[str, Any] | None = None
    links: tuple[tuple[str, str], ...] = ()


def board_view(
    report: Report,
    board: Callable[[Report], Any],
    figures: Callable[[Report], tuple[KeyFigure, ...]] | None = None,
    bleeds: Callable[[Report], dict[str, Any]] | None = None,
    links: Callable[[Report], tuple[tuple[str, str], ...]] | None = None,
) -> BoardView:
    """A board drawn from a report, its controls read from its own parameters."""
    chart = specification(board(report))
    chart.pop("title", None)  # the page has the figures in its own words
    legend = chart["concat"].pop()
    values = {one["name"]: one.get("value") for one in chart.get("params", [])}
    choices = tuple(
        FormChoice(
            one["name"], one["bind"]["name"].strip(), tuple(name for name in one["bind"]["options"] if name is not None)
        )
        for one in sorted(
            chart.get("params", []), key=lambda one: WORK.index(one["name"]) if one["name"] in WORK else 9
        )
        if one.get("bind", {}).get("input") == "select" and len(one["bind"]["options"]) > 2  # one name is no choice
    )
    periods = tuple(zip(values.get("periods") or (), values.get("period_names") or (), strict=True))
    says = any(part.get("name") == "sentence" for part in chart["concat"])
    words = tuple(row["text"] for row in _take_data_rows(legend, chart))
    return BoardView(
        chart=chart,
        choices=choices,
        periods=periods,
        says=says,
        legend=words,
        figures=figures(report) if figures else (),
        bleeds=bleeds(report) if bleeds else None,
        links=links(report) if links else (),
    )


def _take_data_rows(part: dict[str, Any], chart: dict[str, Any]) -> list[dict[str, Any]]:
    """The rows of data of one part of a chart."""
    rows = part["data"].get("values") or chart["datasets"].pop(part["data"]["name"])
    return list(rows)
