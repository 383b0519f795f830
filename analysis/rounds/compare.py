"""Compare an audit with an earlier one: every change as a row, and the earlier predictions against what happened."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.report import Report
from analysis.rounds.earlier import EarlierAudit
from analysis.rounds.looks import Levels
from analysis.rounds.predictions import compare_predictions, interim
from analysis.rounds.records import changed_records
from analysis.rounds.signals import group_changes, named_changes, recall_changes, signal_changes, step_changes
from analysis.stats import wilson
from analysis.survival import ObservationWindow
from schemas import empty, validate_table
from schemas.outputs import Changes, Predictions

Row = dict[str, Any]


def with_round(report: Report, earlier: EarlierAudit, covered: ObservationWindow) -> Report:
    """The report with `changes`, `predictions` and the number of this audit in the series.

    `covered` are the days on which returns were recorded, as for the report.

    Raises
    ------
    UserError
        The earlier audit is of a later day, or has names where this one has codes, or the other way round.
    """
    earlier.require_comparable(report.as_of, report.names_hidden)
    look = earlier.look + 1
    levels = Levels.at(look)
    then = earlier.follow_up(report, covered)
    rows = [
        *recall_changes(earlier.tables["holds"], report),
        *signal_changes(earlier.tables["rates"], report, levels),
        *named_changes(earlier.tables["months"], report, levels),
        *step_changes(earlier.tables["steps"], report, levels),
        *group_changes(then, report),
        *changed_records(earlier.linked_log(report), report.log),
        *rate_changes(then, report.data),
    ]
    schema = empty(Changes).schema
    frame = pl.DataFrame([dict.fromkeys(schema) | {"look": look} | row for row in rows], schema=schema)
    order = {kind: place for place, kind in enumerate(Changes.to_schema().columns["kind"].metadata["levels"])}
    kind = pl.col("kind").replace_strict(order, return_dtype=pl.Int64)
    changes = validate_table(Changes, frame.sort(kind, "subject_kind", "subject", maintain_order=True))
    return replace(
        report,
        look=look,
        changes=changes,
        predictions=_predictions(report, earlier, then),
        earlier_folder=earlier.folder,
        notes=(*report.notes, *earlier.notes_for(report.window_days)),
    )


def rate_changes(then: BleedData, now: BleedData) -> list[Row]:
    """The rate of the same bleeds then and now, and of the bleeds whose window ended between the two audits."""
    before = then.bleeds.filter("mature").select("session_id", back_then="came_back", days_then="return_days")
    mature = now.bleeds.filter("mature").select("session_id", "came_back", "return_days")
    same = mature.join(before, on="session_id", how="inner")
    new = mature.join(before, on="session_id", how="anti")
    rows = []
    if same.height:
        late = same.filter("came_back", ~pl.col("back_then")).height
        gone = same.filter(~pl.col("came_back"), "back_then").height
        note = f"{same.height:,} bleeds followed for the whole window in both; {late} comebacks added later, {gone} no longer there"
        rows.append(_rate_row("same_bleeds", same, int(same.get_column("back_then").sum()) / same.height, note))
    if new.height:
        rate = int(before.get_column("back_then").sum()) / before.height if before.height else None
        note = f"{new.height:,} bleeds whose window ended since the earlier audit, against those before"
        rows.append(_rate_row("newly_followed", new, rate, note))
    return rows


def _rate_row(kind: str, bleeds: pl.DataFrame, before: float | None, note: str) -> Row:
    comebacks = int(bleeds.get_column("came_back").sum())
    limits = wilson(comebacks, bleeds.height)
    now = {"now": comebacks / bleeds.height, "lo": float(limits.lo), "hi": float(limits.hi)}
    return {"kind": kind, "subject_kind": "all", "subject": "all", "before": before, "note": note} | now


def _predictions(report: Report, earlier: EarlierAudit, then: BleedData) -> DataFrame[Predictions]:
    """The earlier model's predictions against what happened; those of earlier rounds alone where it saved no model."""
    if earlier.model is None or earlier.as_of == report.as_of:
        return validate_table(Predictions, earlier.tables["predictions"])
    listed = earlier.tables["risk"].filter("on_worklist").select("session_id")
    bleeds = interim(earlier.model, then, earlier.linked_log(report), listed, report.log, report.data)
    return compare_predictions(
        bleeds,
        earlier.model.model.hazard.covariance,
        int(then.bleeds.get_column("came_back").sum()),
        (earlier.as_of, report.as_of),
        earlier.tables["predictions"],
    )
