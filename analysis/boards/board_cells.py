"""Cells of a board: bleeds, comebacks and missed steps counted by month and kind of work."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.days import quarter_of
from analysis.report import Report
from schemas import validate_table
from schemas.intermediate import CELL_STEPS, BoardCells

MAX_CELLS = 30_000
WORK = ("shop", "technician", "brake_model", "brake", "hose_route")
EARLY_DAYS = (14, 30)
NOT_RECORDED, OTHERS = "not recorded", "others"
MERGED = ("technician", "brake_model", "shop")
"""Columns whose rarest names are put together, in this order, where there are too many cells."""


@dataclass(frozen=True)
class CountedCells:
    """The cells of a log and what they were reduced by.

    `steps` are the ids of the costliest steps in the order of the columns `missed_1`, `missed_2`, ...; `by_quarter`
    says that `month` holds quarters; `merged` are the columns whose rarest names are together as `others`.
    """

    table: DataFrame[BoardCells]
    steps: tuple[str, ...]
    by_quarter: bool = False
    merged: tuple[str, ...] = ()

    @property
    def periods(self) -> list[str]:
        """Every month (or quarter) with a bleed, in order."""
        return self.table.get_column("month").unique().sort().to_list()

    def names(self, column: str) -> list[str]:
        """The names in a column, in order."""
        return self.table.get_column(column).unique().sort().to_list()


def costliest_steps(report: Report) -> tuple[str, ...]:
    """Ids of the ten costliest recorded steps; those missed most often where no cost is known."""
    recorded = report.steps.filter(pl.col("recorded") > 0)
    order = recorded.sort("rank", "share_missed", "step", nulls_last=True, descending=[False, True, False])
    return tuple(order.get_column("step").head(CELL_STEPS))


def count_cells(report: Report, max_cells: int = MAX_CELLS) -> CountedCells:
    """Count the bleeds of a report by month and kind of work, in at most `max_cells` cells."""
    steps = costliest_steps(report)
    bleeds, by_quarter, merged = _bleed_rows(report, steps), False, []
    cells = _sum_into_cells(bleeds)
    if cells.height > max_cells:
        by_quarter = True
        cells = _sum_into_cells(cells.with_columns(month=quarter_of(pl.col("month").str.to_date("%Y-%m"))))
    for column in MERGED:
        remaining = cells.get_column(column).n_unique()
        others = _unused(OTHERS, cells.get_column(column))
        while cells.height > max_cells and remaining > 0:
            remaining //= 2
            cells = _sum_into_cells(_merge_rare_names(cells, column, remaining, others))
            merged.append(column)
    table = validate_table(BoardCells, cells.select(list(BoardCells.to_schema().columns)))
    return CountedCells(table, steps, by_quarter, tuple(dict.fromkeys(merged)))


def _bleed_rows(report: Report, steps: tuple[str, ...]) -> pl.DataFrame:
    """One row for each bleed with the counts that its cell adds up."""
    days, age = pl.col("return_days"), pl.col("observed_days")
    missed = [report.data.missed.get_column(step) for step in steps]
    empty_steps = CELL_STEPS - len(steps)
    recorded = pl.lit(report.has_returns)  # without returns nothing was followed, and no rate is zero
    early = {
        name: value
        for limit in EARLY_DAYS
        for name, value in {
            f"followed_{limit}": recorded & (age >= limit),
            f"comebacks_{limit}": ((age >= limit) & (days <= limit)).fill_null(False),
        }.items()
    }
    return report.data.bleeds.select(
        "month",
        *(pl.col(name).fill_null(NOT_RECORDED) for name in WORK),
        bleeds=pl.lit(1, pl.Int64),
        followed=(recorded & pl.col("mature")).cast(pl.Int64),
        comebacks=(pl.col("mature") & pl.col("came_back")).cast(pl.Int64),
        **{name: value.cast(pl.Int64) for name, value in early.items()},
    ).with_columns(
        *(values.fill_null(False).cast(pl.Int64).alias(f"missed_{at}") for at, values in enumerate(missed, 1)),
        *(values.is_not_null().cast(pl.Int64).alias(f"recorded_{at}") for at, values in enumerate(missed, 1)),
        *(
            pl.lit(0, pl.Int64).alias(f"{what}_{CELL_STEPS - at}")
            for at in range(empty_steps)
            for what in ("missed", "recorded")
        ),
    )


def _sum_into_cells(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows added up by month and work, in their order."""
    keys = ["month", *WORK]
    return rows.group_by(keys, maintain_order=True).agg(pl.all().sum()).sort(keys)


def _unused(word: str, names: pl.Series) -> str:
    """The word, in brackets where it is a name."""
    return _unused(f"({word})", names) if word in names else word


def _merge_rare_names(cells: pl.DataFrame, column: str, remaining: int, others: str) -> pl.DataFrame:
    """The cells with all names of a column but the `remaining` with most bleeds called `others`."""
    totals = cells.filter(pl.col(column) != others).group_by(column, maintain_order=True).agg(pl.col("bleeds").sum())
    names = totals.sort("bleeds", column, descending=[True, False]).get_column(column).head(remaining)
    by_name = pl.when(pl.col(column).is_in(names.implode())).then(pl.col(column)).otherwise(pl.lit(others))
    return cells.with_columns(by_name.alias(column))
