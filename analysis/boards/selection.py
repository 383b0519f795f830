"""The selection of a board: its parameters, the cells it leaves, and crude rates with their Wilson intervals.

All of it is Vega-Lite: rates are counted in the browser, so that any selection has one.
"""

from __future__ import annotations

import json
import string
from calendar import month_name
from dataclasses import dataclass
from typing import Any

import altair as alt
import polars as pl

from analysis.boards.board_cells import WORK, CountedCells
from analysis.charts.theme import x_at, y_at
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
COUNTS = ("bleeds", "comebacks", "comebacks_30", "comebacks_14", "followed", "followed_30", "followed_14")
MISSED = [f"missed_{at}" for at in range(1, CELL_STEPS + 1)]
COLUMNS = ("bleeds", *MISSED, *COUNTS[1:], *(f"recorded_{at}" for at in range(1, CELL_STEPS + 1)))
"""The counts of a cell as they travel, those that are nearly always zero last."""
DIGITS = string.digits + string.ascii_letters + "-_"
"""The figures 0 to 63 of a cell's counts."""
ZEROS = (("00", "."), ("...", "!"))
"""Most counts are zero: two of them are written as one sign, and three of those as another."""
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


def any_chosen_expression(but: str = "", *, period: bool = True) -> str:
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
            alt.param(name="digits", value=DIGITS),
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
    """The cells as they travel: for each kind of work the places of its names in their lists, and a text of its months.

    `0321,0b4001` is two months: two of `DIGITS` for the place of the month, then one for each count in the order of
    `COLUMNS`, zeros at the end left out, others shortened. `followed` and `recorded` are what they lack of `bleeds`.
    """
    lists = {"month": cells.periods, **{column: cells.names(column) for column in WORK}}
    places = (
        pl.col(column).replace_strict(names, range(len(names)), return_dtype=pl.Int64)
        for column, names in lists.items()
    )
    counts = (
        (pl.col("bleeds") - pl.col(name) if _is_stored_as_lack(name) else pl.col(name)).alias(name) for name in COLUMNS
    )
    figures = (pl.col("month") // len(DIGITS), pl.col("month") % len(DIGITS), *map(pl.col, COLUMNS))
    digits = pl.concat_str(
        each.replace_strict(range(len(DIGITS)), list(DIGITS), return_dtype=pl.String) for each in figures
    )
    digits = digits.str.strip_chars_end(DIGITS[0])
    for zeros, sign in ZEROS:
        digits = digits.str.replace_all(zeros, sign, literal=True)
    parts = _split_large_cells(cells.table.select(*places, *counts))
    work = parts.group_by(WORK, maintain_order=True).agg(digits.str.join(",").alias("months"))
    return rows_text([list(row) for row in work.iter_rows()])


def _split_large_cells(table: pl.DataFrame) -> pl.DataFrame:
    """The cells with counts of one digit each: a cell with more bleeds becomes several, which add up to it."""
    most = len(DIGITS) - 1
    return pl.concat(
        [
            table.filter(pl.col("bleeds") > used).with_columns((pl.col(name) - used).clip(0, most) for name in COLUMNS)
            for used in range(0, max(table.get_column("bleeds"), default=1), most)
        ]
    )


def rows_text(rows: list[list[int]]) -> str:
    """Rows of numbers as JSON text, which Altair does not walk through number by number.

    CSV would be shorter still, but its reader in the browser needs `eval`, which a page forbids.
    """
    return json.dumps(rows, separators=(",", ":"))


def named_rows(name: str) -> alt.NamedData:
    """The data of a chart that reads the rows of this name."""
    return alt.NamedData(name, format=alt.JsonDataFormat(type="json"))


def _is_stored_as_lack(name: str) -> bool:
    """Whether a count travels as what it lacks of `bleeds`."""
    return name.startswith(("followed", "recorded"))


def inline_data(rows: list[dict[str, Any]]) -> Any:
    """Rows as data of a chart."""
    return alt.InlineData(values=tuple(rows))  # a tuple: Altair copies lists of rows at every step of composing a board


def line_break_expression(text: str, most: int = MAX_LETTERS) -> str:
    """The expression that breaks a text at its spaces into lines of at most `most` letters, fewer on a narrow page."""
    return f"slice(replace({text}, regexp('(.{{1,' + min(letters, {most}) + '}})( |$)', 'g'), '$1\\n'), 0, -1)"


def words_above(chart: alt.Chart, text: str, most: int, **look: Any) -> alt.Chart:
    """Words in lines above a chart, whose title needs an offset."""
    return (
        chart.transform_calculate(lines=line_break_expression(text, most))
        .mark_text(aria=False, align="left", baseline="top", fontSize=11, **look)
        .encode(text=alt.Text("lines:N"), x=x_at(2), y=y_at(alt.expr("-3 - 13 * length(split(datum.lines, '\\n'))")))
    )


def text_chart(words: str, width: int, name: str = "") -> Any:
    """Words in place of a chart: one line, or several on a narrow page."""
    chart = alt.Chart(inline_data([{"text": words}]), width=width, height=16, name=name or alt.Undefined)
    return (
        chart.transform_calculate(lines=line_break_expression("datum.text"))
        .mark_text(align="left", fontSize=11 if name else 12, baseline="top", style="words")
        .encode(text=alt.Text("lines:N"), x=x_at(0), y=y_at(0))
    )


def month_counts_chart() -> alt.Chart:
    """The counts of the selected work by month: the data that every counted chart of a board shares.

    `recorded_1` and so on are what they lack of `bleeds`.
    """
    names = {column: f"{column}_names[datum[{at}]]" for at, column in enumerate(WORK)}
    counts = {name: f"indexof(digits, slice(datum.cell, {at}, {at + 1}))" for at, name in enumerate(COLUMNS, 2)}
    month = f"{len(DIGITS)} * indexof(digits, datum.cell[0]) + indexof(digits, datum.cell[1])"
    whole = "datum.cell"
    for zeros, sign in reversed(ZEROS):
        whole = f"replace({whole}, regexp('[{sign}]', 'g'), '{zeros}')"
    is_chosen = (f"(!isValid({chosen(column)}) || datum.{column} === {chosen(column)})" for column in WORK)
    return _added_up(
        alt.Chart(named_rows(CELLS))
        .transform_calculate(cell=f"split(datum[{len(WORK)}], ',')", **names)
        .transform_flatten(["cell"])
        .transform_calculate(cell=whole)
        .transform_calculate(month=f"periods[{month}]", **counts)
        .transform_filter(" && ".join(is_chosen)),
        COLUMNS,
        ["month"],
    ).transform_calculate(**{name: f"datum.bleeds - datum.{name}" for name in COUNTS if _is_stored_as_lack(name)})


def period_counts_chart(selection: Selection, names: tuple[str, ...], **properties: Any) -> alt.Chart:
    """These counts of the chosen months, added up."""
    return _added_up(alt.Chart(**properties).transform_filter(selection.period), names, [])


def _added_up(chart: alt.Chart, names: tuple[str, ...], by: list[str]) -> alt.Chart:
    sums = [alt.AggregatedFieldDef(op="sum", field=name, **{"as": name}) for name in names]
    return chart.transform_aggregate(sums, groupby=[*by])


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
    open_bleeds = (
        "(datum.bleeds > datum.followed ? '; ' + format(datum.bleeds - datum.followed, ',') + ' not yet followed' : '')"
    )
    rate = (
        "datum.followed > 0 ? format(datum.rate, '.1%') + ' of ' + format(datum.followed, ',') + ' bleeds came back, ' + "
        f"datum.interval + ({any_chosen_expression()} ? {open_bleeds} : '') : format(datum.bleeds, ',') + ' bleeds, {without_rate}'"
    )
    chart = with_wilson(
        period_counts_chart(selection, ("bleeds", "comebacks", "followed"), width=width, height=14, name="sentence"),
        "comebacks",
        "followed",
    )
    chart = chart.transform_calculate(
        sentence=f"({any_chosen_expression(period=False)} ? {who} : 'All bleeds') + {months} + ': ' + ({rate})"
    )
    return chart.mark_text(aria=False, align="left", baseline="middle", fontSize=14, fontWeight="bold").encode(
        text=alt.Text("sentence:N"), x=x_at(0), y=y_at(7)
    )
