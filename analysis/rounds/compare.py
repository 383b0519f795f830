"""Compare an audit with an earlier one: rates, steps, recalls, signals and predictions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.monitoring import monthly_counts, variance_between_months
from analysis.report import Report
from analysis.rounds.earlier import EarlierAudit, SignificanceLevels
from analysis.rounds.predictions import compare_predictions, predict_bleeds_still_out
from analysis.rounds.signals import group_changes, new_change_points, recall_changes, signal_changes, step_changes
from analysis.stats import wilson
from analysis.survival import ObservationWindow
from schemas import LOG_TABLES, empty, validate_table
from schemas.outputs import Changes, Predictions

Row = dict[str, Any]
COMPARED = {"sessions": "session_id", "comebacks": "comeback_id"}
CLOSE = 1e-9
"""Relative difference up to which two readings are the same."""


def compare_with_earlier_audit(report: Report, earlier: EarlierAudit, covered: ObservationWindow) -> Report:
    """The report with `changes`, `predictions` and the number of this audit in the series.

    `covered` are the days on which returns were recorded, as for the report.

    Raises
    ------
    UserError
        The earlier audit is of a later day, or has names where this one has codes, or the other way round.
    """
    earlier.require_comparable(report.as_of, report.names_hidden)
    look = earlier.look + 1
    levels = SignificanceLevels.at(look)
    then = earlier.follow_up(report, covered)
    rows = [
        *recall_changes(earlier.tables["holds"], report),
        *signal_changes(earlier.tables["rates"], report, levels),
        *new_change_points(earlier.tables["months"], report, levels),
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
        predictions=_check_earlier_predictions(report, earlier, then),
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
        note = f"{_bleeds_text(same)} followed in full; comebacks added since: {late}, removed: {gone}"
        rows.append(_rate_row("same_bleeds", same, int(same.get_column("back_then").sum()) / same.height, note))
    if new.height:
        rate = int(before.get_column("back_then").sum()) / before.height if before.height else None
        note = f"{_bleeds_text(new)} whose window has ended since the last audit"
        rows.append(_rate_row("newly_followed", new, rate, note))
    return rows


def _bleeds_text(bleeds: pl.DataFrame) -> str:
    return f"{bleeds.height:,} bleed{'' if bleeds.height == 1 else 's'}"


def _rate_row(kind: str, bleeds: pl.DataFrame, before: float | None, note: str) -> Row:
    comebacks = int(bleeds.get_column("came_back").sum())
    limits = wilson(comebacks, bleeds.height)
    now = {"now": comebacks / bleeds.height, "lo": float(limits.lo), "hi": float(limits.hi)}
    return {"kind": kind, "subject_kind": "all", "subject": "all", "before": before, "note": note} | now


def _check_earlier_predictions(report: Report, earlier: EarlierAudit, then: BleedData) -> DataFrame[Predictions]:
    """The earlier model's predictions against what happened; those of earlier rounds alone where it saved no model."""
    if earlier.model is None or earlier.as_of == report.as_of:
        return validate_table(Predictions, earlier.tables["predictions"])
    recalled = earlier.tables["holds"].filter("open").select("session_id")
    listed = earlier.tables["risk"].filter("on_worklist").join(recalled, on="session_id", how="anti")
    bleeds = predict_bleeds_still_out(earlier.model, then, earlier.linked_log(report), listed, report.log, report.data)
    return compare_predictions(
        bleeds,
        earlier.model.model.hazard.covariance,
        int(then.bleeds.get_column("came_back").sum()),
        (earlier.as_of, report.as_of),
        earlier.tables["predictions"],
        _variance_between_months(then),
    )


def _variance_between_months(data: BleedData) -> float:
    """How much the comeback rate varied between the months whose follow-up was complete, at one level."""
    counts = monthly_counts(data).filter(pl.col("kind") == "all", pl.col("mature") == pl.col("sessions")).sort("month")
    comebacks, bleeds = (counts.get_column(name).to_numpy().astype(float) for name in ("comebacks", "mature"))
    return variance_between_months(comebacks, bleeds)


def changed_records(earlier: Log, log: Log) -> list[dict[str, Any]]:
    """Bleeds and returns that are missing now, by technician, and fields that differ, by field and technician.

    A change of the past may be a correction: it is listed, not judged. Whose: the technician of the bleed.
    """
    rows = []
    for table, key in COMPARED.items():
        before, now = _add_technician(earlier, table), _add_technician(log, table)
        missing = before.join(now, on=key, how="anti")
        rows += [_row("records_missing", table, who, "", n) for who, n in _count_by_technician(missing)]
        both = before.join(now, on=key, how="inner", suffix=" now")
        for name in LOG_TABLES[table].to_schema().columns:
            if name != key:
                rows += [
                    _row("records_changed", table, who, name, n)
                    for who, n in _count_by_technician(both.filter(_has_changed(both, name)))
                ]
    return rows


def _add_technician(log: Log, table: str) -> pl.DataFrame:
    """A table of the log with the technician of each row's bleed as `whose`."""
    frame: pl.DataFrame = getattr(log, table)
    if table == "sessions":
        return frame.with_columns(whose="technician")
    of_bleed = log.links.join(log.sessions.select("session_id", whose="technician"), on="session_id", how="left")
    return frame.join(of_bleed.select("comeback_id", "whose"), on="comeback_id", how="left")


def _has_changed(both: pl.DataFrame, name: str) -> pl.Expr:
    before, now = pl.col(name), pl.col(f"{name} now")
    if both.schema[name].is_float():
        same = (before - now).abs() <= CLOSE * pl.max_horizontal(before.abs(), now.abs())
        return ~same.fill_null(False) & ~(before.is_null() & now.is_null())
    return before.ne_missing(now)


def _count_by_technician(rows: pl.DataFrame) -> list[tuple[str, int]]:
    counts = rows.group_by(pl.col("whose").fill_null("no technician known")).len().sort("whose")
    return [(str(who), int(n)) for who, n in counts.iter_rows()]


def _row(kind: str, table: str, technician: str, field: str, number: int) -> dict[str, Any]:
    noun = {"sessions": "bleed", "comebacks": "return"}[table]
    one = number == 1
    state = f"now {'has' if one else 'have'} another value" if field else f"{'is' if one else 'are'} now missing"
    return {
        "kind": kind,
        "subject_kind": field or table,
        "subject": technician,
        "now": float(number),
        "note": f"{number:,} {noun if one else noun + 's'} in the earlier log {state}",
    }
