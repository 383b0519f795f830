"""The selection of a board: its parameters, the cells it leaves, and crude rates with their Wilson intervals.

All of it is Vega-Lite: rates are counted in the browser, so that any selection has one.
"""

from __future__ import annotations

import json
from calendar import month_name
from dataclasses import dataclass
from typing import Any

import altair as alt
import polars as pl

from analysis.boards.board_cells import WORK, CountedCells
from analysis.stats import Z95
from schemas.intermediate import CELL_STEPS

CELLS = "cells"
WORK_LABELS = {
    "shop": "Workshop",
    "technician": "Technician",
    "brake_model": "Brake model",
    "brake": "Brake",
    "hose_route": "Hose routing",
}
CLICKED = ("shop", "technician", "brake_model")
"""Columns that are chosen by a click on a mark as well as from a list."""
COUNTS = ("bleeds", "followed", "comebacks", "followed_14", "comebacks_14", "followed_30", "comebacks_30")
MISSES = tuple(f"{what}_{at}" for what in ("missed", "recorded") for at in range(1, CELL_STEPS + 1))

COLUMNS = (*COUNTS, *MISSES)
MAX_LETTERS = 150
LETTERS = alt.param(name="letters", value=MAX_LETTERS).param
"""How many letters a line of words on a board may have: a narrow page sets fewer."""
SMALL: Any = {"labelFontSize": 11, "titleFontSize": 11}
PERCENT = alt.Axis(format=".0%", tickCount=4, **SMALL)


@dataclass(frozen=True)
class Selection:
    """The parameters of one board: `clicked` by column, `period` the brush on the months, `constants` for expressions."""

    clicked: dict[str, alt.Parameter]
    listed: tuple[alt.Parameter, ...]
    period: alt.Parameter
    constants: tuple[alt.Parameter, ...]


def chosen(column: str) -> str:
    """The expression for what is chosen in a column; null where nothing is."""
    return f"{column}_{column}" if column in CLICKED else column


def any_chosen(but: str = "", *, period: bool = True) -> str:
    """The expression for whether anything is chosen in another column than `but`."""
    tests = [f"isValid({chosen(column)})" for column in WORK if column != but]
    return " || ".join(tests + (["isValid(period.month)"] if period else []))


def build_selection(cells: CountedCells) -> Selection:
    """The parameters for these cells."""

    def options(column: str) -> Any:
        names = cells.names(column)
        return alt.binding_select(options=[None, *names], labels=["all", *names], name=f"{WORK_LABELS[column]} ")

    periods = cells.periods
    return Selection(
        clicked={
            column: alt.selection_point(name=column, fields=[column], on=_click_selection(column), bind=options(column))
            for column in CLICKED
        },
        listed=tuple(
            alt.param(name=column, value=None, bind=options(column)) for column in WORK if column not in CLICKED
        ),
        period=alt.selection_interval(name="period", encodings=["x"]),
        constants=(
            *(alt.param(name=f"{column}_names", value=cells.names(column)) for column in WORK),
            alt.param(name="periods", value=periods),
            alt.param(name="period_names", value=[period_name(one) for one in periods]),
        ),
    )


def _click_selection(column: str) -> str:
    """A click on a mark named after this column; a bound list would take a click on any chart of the board for its own.

    Altair numbers the names of charts that carry a parameter.
    """
    return ", ".join(f"@{column}_dots_{at}_marks:click" for at in range(len(CLICKED)))


def period_name(period: str) -> str:
    """`August 2025` for `2025-08`; `2025 Q3` for `2025-Q3`."""
    year, part = period.split("-")
    if part.startswith("Q"):
        return f"{year} {part}"
    return f"{month_name[int(part)]} {year}"


def cells_text(cells: CountedCells) -> str:
    """The cells as they travel: rows of numbers, zeros at the end left out.

    Names are places in their list; `followed` and `recorded` are written as what they lack of `bleeds`.
    """
    places = {column: {name: at for at, name in enumerate(cells.names(column))} for column in WORK}
    periods = {name: at for at, name in enumerate(cells.periods)}
    table = cells.table.select(
        pl.col("month").replace_strict(periods, return_dtype=pl.Int64),
        *(pl.col(column).replace_strict(places[column], return_dtype=pl.Int64) for column in WORK),
        *(
            (pl.col("bleeds") - pl.col(name) if _is_stored_as_lack(name) else pl.col(name)).alias(name)
            for name in COLUMNS
        ),
    )
    rows = [list(row) for row in table.iter_rows()]
    for row in rows:
        while not row[-1]:
            row.pop()
    return rows_text(rows)


def rows_text(rows: list[list[int]]) -> str:
    """Rows of numbers as JSON text, which Altair does not walk through number by number.

    CSV would be shorter still, but its reader in the browser needs `eval`, which a page forbids.
    """
    return json.dumps(rows, separators=(",", ":"))


def numbered_rows(name: str) -> alt.NamedData:
    """The data of a chart that reads the rows of this name."""
    return alt.NamedData(name, format=alt.JsonDataFormat(type="json"))


def _is_stored_as_lack(name: str) -> bool:
    """Whether a count travels as what it lacks of `bleeds`."""
    return name.startswith(("followed", "recorded"))


def inline_data(rows: list[dict[str, Any]]) -> Any:
    """Rows as data of a chart."""
    return alt.InlineData(values=tuple(rows))  # a tuple: Altair copies lists of rows at every step of composing a board


def in_lines(text: str, most: int = MAX_LETTERS) -> str:
    """The expression that breaks a text at its spaces into lines of at most `most` letters, fewer on a narrow page."""
    return f"slice(replace({text}, regexp('(.{{1,' + min(letters, {most}) + '}})( |$)', 'g'), '$1\\n'), 0, -1)"


def words_above(chart: alt.Chart, text: str, most: int, **look: Any) -> alt.Chart:
    """Words in lines above a chart, whose title needs an offset."""
    return (
        chart.transform_calculate(lines=in_lines(text, most))
        .mark_text(aria=False, align="left", baseline="top", fontSize=11, **look)
        .encode(text="lines:N", x=alt.value(2), y=alt.value(alt.expr("-3 - 13 * length(split(datum.lines, '\\n'))")))
    )


def line_of_text(words: str, width: int, name: str = "") -> Any:
    """Words in place of a chart: one line, or several on a narrow page."""
    chart = alt.Chart(inline_data([{"text": words}]), width=width, height=16, name=name or alt.Undefined)
    return (
        chart.transform_calculate(lines=in_lines("datum.text"))
        .mark_text(align="left", fontSize=11 if name else 12, baseline="top", style="words")
        .encode(text="lines:N", x=alt.value(0), y=alt.value(0))
    )


def all_cells_chart(**properties: Any) -> alt.Chart:
    """A chart of all cells, with the names their numbers stand for."""
    names = {column: f"{column}_names[datum[{at}]]" for at, column in enumerate(WORK, 1)}
    return alt.Chart(numbered_rows(CELLS), **properties).transform_calculate(month="periods[datum[0]]", **names)


def selected_cells_chart(selection: Selection, *, period: bool, **properties: Any) -> alt.Chart:
    """A chart of the selected cells; `period` also holds them to the chosen months."""
    chart = all_cells_chart(**properties)
    for column in WORK:
        if column in selection.clicked:
            chart = chart.transform_filter(selection.clicked[column])
        else:
            chart = chart.transform_filter(f"!isValid({column}) || datum.{column} === {column}")
    return chart.transform_filter(selection.period) if period else chart


def counted(chart: alt.Chart, by: list[str], names: tuple[str, ...] = COUNTS) -> alt.Chart:
    """The counts of these columns added up by `by`; followed and recorded again as themselves."""
    sums = [
        alt.AggregatedFieldDef(op="sum", field=str(1 + len(WORK) + COLUMNS.index(name)), **{"as": name})
        for name in dict.fromkeys(("bleeds", *names))
    ]
    chart = chart.transform_aggregate(sums, groupby=[*by])
    values = {
        name: f"datum.bleeds - (datum.{name} || 0)" if _is_stored_as_lack(name) else f"datum.{name} || 0"
        for name in names
        if name != "bleeds"
    }
    return chart.transform_calculate(**values)


def with_wilson(chart: alt.Chart, successes: str, trials: str) -> alt.Chart:
    """The chart with columns rate, lo and hi (Wilson, 95%): null without a trial."""
    z2 = Z95 * Z95
    n, k = f"datum.{trials}", f"datum.{successes}"
    middle = f"(datum.rate + {z2 / 2!r} / {n}) / (1 + {z2!r} / {n})"
    reach = f"{Z95!r} / (1 + {z2!r} / {n}) * sqrt(datum.rate * (1 - datum.rate) / {n} + {z2 / 4!r} / ({n} * {n}))"
    return (
        chart.transform_calculate(rate=f"{n} > 0 ? {k} / {n} : null")
        .transform_calculate(
            lo=f"{n} > 0 ? ({k} == 0 ? 0 : {middle} - {reach}) : null",
            hi=f"{n} > 0 ? ({k} == {n} ? 1 : {middle} + {reach}) : null",
        )
        .transform_calculate(interval=f"{n} > 0 ? {_range_expression('datum.lo', 'datum.hi')} : ''")
    )


def _range_expression(lo: str, hi: str) -> str:
    return f"format(100 * {lo}, '.1f') + '–' + format({hi}, '.1%')"


def sentence_chart(selection: Selection, width: int, without_rate: str) -> Any:
    """The selection in words with its rate, interval and n: `Velmoor, August 2025 to March 2026: 12.2% of 580 ...`."""
    parts = "".join(
        f" + (isValid({chosen(column)}) ? ', ' + {chosen(column)} + '{word}' : '')"
        for column, word in (("shop", ""), ("technician", ""), ("brake_model", ""), ("brake", " brake"),
                             ("hose_route", " hose"))
    )  # fmt: skip
    name = "period_names[indexof(periods, {})]"
    first, last = name.format("period.month[0]"), name.format("peek(period.month)")
    months = f"(isValid(period.month) ? ', ' + (length(period.month) > 1 ? {first} + ' to ' + {last} : {first}) : '')"
    who = f"slice('' {parts}, 2)"
    rate = (
        "datum.followed > 0 ? format(datum.rate, '.1%') + ' of ' + format(datum.followed, ',') + ' bleeds came back, ' + "
        f"datum.interval : format(datum.bleeds, ',') + ' bleeds, {without_rate}'"
    )
    chart = with_wilson(
        counted(selected_cells_chart(selection, period=True, width=width, height=14, name="sentence"), []),
        "comebacks",
        "followed",
    )
    chart = chart.transform_calculate(
        sentence=f"({any_chosen(period=False)} ? {who} : 'All bleeds') + {months} + ': ' + ({rate})"
    )
    return chart.mark_text(aria=False, align="left", baseline="middle", fontSize=14, fontWeight="bold").encode(
        text=alt.Text("sentence:N"), x=alt.value(0), y=alt.value(7)
    )
