"""The bleeds listed under the lead's board, with what a reader needs to judge one of them."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.boards import NOT_RECORDED, WORK
from analysis.charts import HOLD_LABELS
from analysis.pages.labels import level_label
from analysis.report import Report
from analysis.rounds import TO_MEASURE, open_recalls, worthwhile_second_checks
from schemas import reading_label

MAX_BLEEDS, MAX_OTHERS = 1000, 5
READINGS = (
    "lever_travel_before_mm", "lever_travel_after_mm", "pump_gain_mm", "bubbles_last", "cycles", "settle_minutes", "minutes",
)  # fmt: skip


def list_board_bleeds(report: Report) -> dict[str, Any]:
    """Recalled bleeds, second checks, comebacks and the riskiest others, at most 1,000, as lists that a script reads.

    Returns
    -------
    dict
        `rows`: job, bike, place of each of `WORK` in `names`, day, days to the comeback, what to do, risk, reasons (as
        places in `reasons`), missed steps (places in `steps`), values of `readings`, month; `usual`: by brake model the
        10th, 50th and 90th percentile of each reading; `others` and `returns`: by bike its other bleeds and its returns;
        `left_out`: bleeds that are in the file alone.
    """
    every = _rank_by_urgency(report)
    listed = every.head(MAX_BLEEDS)
    names = {column: listed.get_column(column).unique().sort().to_list() for column in WORK}
    places = {column: {name: at for at, name in enumerate(values)} for column, values in names.items()}
    titles, steps = report.standard.missed_titles, [c for c in report.data.missed.columns if c != "session_id"]
    missed = _missed_step_indices(report, listed, steps)
    reasons = _distinct_reasons(listed)
    at = {reason: place for place, reason in enumerate(reasons)}
    rows = [
        [
            row["session_id"], row["bike_id"], *(places[column][row[column]] for column in WORK), row["day"], row["return_days"],
            row["recall"], None if row["risk"] is None else round(row["risk"], 4),
            [at[row[name]] for name in ("reason_1", "reason_2", "reason_3") if row[name]],
            missed.get(row["session_id"], []), [row[name] for name in READINGS], row["month"],
        ]
        for row in listed.iter_rows(named=True)
    ]  # fmt: skip
    return {
        "rows": rows,
        "names": names,
        "steps": [titles.get(step, step) for step in steps],
        "reasons": reasons,
        "readings": [reading_label(name) for name in READINGS],
        "usual": _reading_percentiles(report, names["brake_model"]),
        "others": _latest_bleeds(report, listed),
        "returns": _latest_returns(report, listed),
        "left_out": every.height - listed.height,
        "window": report.window_days,
    }


def _rank_by_urgency(report: Report) -> pl.DataFrame:
    """Every bleed worth listing: recalls in the order to call, brakes to measure again, second checks, comebacks by how recent, others by risk."""
    holds = (
        report.holds.filter("open")
        .sort(TO_MEASURE, "priority", "session_id", "rule")
        .unique("session_id", keep="first", maintain_order=True)
    )
    to_do = pl.when(TO_MEASURE).then(pl.lit("measure again: ")).otherwise(pl.lit("recall: "))
    recalls = holds.select("session_id", recall=to_do + pl.col("rule").replace(HOLD_LABELS)).join(
        open_recalls(report).select("session_id", urgency=pl.int_range(pl.len())), on="session_id", how="left"
    )
    checks = worthwhile_second_checks(report).select("session_id", check=pl.lit("second check"))
    risks = report.risk.select("session_id", "risk", "reason_1", "reason_2", "reason_3")
    bleeds = report.data.bleeds.select(
        "session_id", "bike_id", *(pl.col(name).fill_null(NOT_RECORDED) for name in WORK), "return_days", "month", *READINGS,
        day=pl.col("started_at").dt.date().cast(pl.String),
    )  # fmt: skip
    joined = bleeds
    for table in (recalls, checks, risks):
        joined = joined.join(table, on="session_id", how="left", maintain_order="left")
    kinds = ("recall", "check", "return_days", "risk")
    group = pl.coalesce(pl.when(pl.col(kind).is_not_null()).then(at) for at, kind in enumerate(kinds))
    recorded = joined.with_columns(group=group, recall=pl.coalesce("recall", "check")).filter(
        pl.col("group").is_not_null()
    )
    recent = pl.when(pl.col("group").is_in([0, 2])).then(pl.col("day"))
    order, descending = ("group", "urgency", recent, "risk", "session_id"), [False, False, True, True, False]
    return recorded.sort(*order, descending=descending, nulls_last=True)


def _missed_step_indices(report: Report, listed: pl.DataFrame, steps: list[str]) -> dict[str, list[int]]:
    """The missed steps of each listed bleed, as places in `steps`."""
    own = report.data.missed.filter(pl.col("session_id").is_in(listed.get_column("session_id").implode()))
    return {
        bleed: [place for place, missed in enumerate(values) if missed]
        for bleed, *values in own.select("session_id", *steps).iter_rows()
    }


def _distinct_reasons(listed: pl.DataFrame) -> list[str]:
    columns = [listed.get_column(name) for name in ("reason_1", "reason_2", "reason_3")]
    return pl.concat(columns).drop_nulls().unique().sort().to_list()


def _reading_percentiles(report: Report, models: list[str]) -> list[list[list[float] | None]]:
    """The 10th, 50th and 90th percentile of each reading, by brake model."""
    bleeds = report.data.bleeds.with_columns(pl.col("brake_model").fill_null(NOT_RECORDED))
    levels = (0.1, 0.5, 0.9)
    table = bleeds.group_by("brake_model", maintain_order=True).agg(
        pl.col(name).cast(pl.Float64).quantile(level, "nearest").alias(f"{name} {level}")
        for name in READINGS
        for level in levels
    )
    by_model = {row["brake_model"]: row for row in table.iter_rows(named=True)}

    def limits(model: str, name: str) -> list[float] | None:
        values = [by_model[model][f"{name} {level}"] for level in levels]
        return None if values[0] is None else [round(value, 1) + 0.0 for value in values]  # no -0.0

    return [[limits(model, name) for name in READINGS] for model in models]


def _latest_bleeds(report: Report, listed: pl.DataFrame) -> dict[str, list[list[Any]]]:
    """The latest bleeds of each listed bike: job, day, brake, technician, days to the comeback."""
    own = _select_listed_bikes(report.data.bleeds, listed).sort("started_at", "session_id", descending=True)
    table = own.group_by("bike_id", maintain_order=True).head(MAX_OTHERS).select(
        "bike_id", "session_id", pl.col("started_at").dt.date().cast(pl.String), "brake", "technician", "return_days"
    )  # fmt: skip
    return _group_by_bike(table)


def _latest_returns(report: Report, listed: pl.DataFrame) -> dict[str, list[list[Any]]]:
    """The latest returns of each listed bike: day, brake, complaint, fault found."""
    words = [
        pl.col(name).map_elements(level_label, return_dtype=pl.String) for name in ("brake", "complaint", "finding")
    ]
    own = _select_listed_bikes(report.log.comebacks, listed).sort("returned_at", "comeback_id", descending=True)
    table = own.group_by("bike_id", maintain_order=True).head(MAX_OTHERS)
    return _group_by_bike(table.select("bike_id", pl.col("returned_at").dt.date().cast(pl.String), *words))


def _select_listed_bikes(table: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    return table.filter(pl.col("bike_id").is_in(listed.get_column("bike_id").unique().implode()))


def _group_by_bike(table: pl.DataFrame) -> dict[str, list[list[Any]]]:
    matches: dict[str, list[list[Any]]] = {}
    for bike, *values in table.iter_rows():
        matches.setdefault(bike, []).append(values)
    return matches
