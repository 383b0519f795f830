"""Compare an audit with an earlier one: rates, steps, recalls, signals and predictions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.monitoring import monthly_counts, variance_between_months
from analysis.rates import KINDS
from analysis.report import Report
from analysis.rounds.earlier import EarlierAudit, Levels
from analysis.rounds.predictions import compare_predictions, interim
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
    levels = Levels.at(look)
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
    bleeds = interim(earlier.model, then, earlier.linked_log(report), listed, report.log, report.data)
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


CLEAR_SIGNALS = ("high", "low")
SAME_CHANGE_MONTHS = 3
"""Change points of one group at most this many months apart are the same change."""
GONE_EXPECTED = 6.0
"""Bleeds expected since the earlier audit from which a group without any is gone: with a known pace e^-6, 1 in 400, by chance; with one estimated from
36 bleeds 1 in 257."""
BRAKE_LISTED_BEFORE, BRAKE_STILL_LISTED = "this brake was on the list already", "this brake is still on the list"
PACE_DAYS = 180
"""Days before the earlier audit that give a group's pace."""


def recall_changes(before: pl.DataFrame, report: Report) -> list[Row]:
    """Recalls opened since, and those that were open and are closed now, with what closed them.

    The note says where the same brake was on the list already, or is on it still, for another bleed or reason.
    """
    brakes = report.log.sessions.select("session_id", pl.concat_str("bike_id", "brake", separator=" ").alias("brake"))
    was_open = before.filter("open").select("session_id", "rule").join(brakes, on="session_id", how="left")
    is_open = report.holds.filter("open").select("session_id", "rule").join(brakes, on="session_id", how="left")
    opened = is_open.join(was_open, on=["session_id", "rule"], how="anti").sort("session_id", "rule")
    closed = was_open.join(is_open, on=["session_id", "rule"], how="anti").sort("session_id", "rule")
    listed_before, listed_now = (set(table.get_column("brake").drop_nulls()) for table in (was_open, is_open))
    rows = [
        _recall_row("recall_opened", session, None, rule, BRAKE_LISTED_BEFORE if brake in listed_before else "")
        for session, rule, brake in opened.iter_rows()
    ]
    closed_by = {
        (one, rule): by for one, rule, by in report.holds.select("session_id", "rule", "closed_by").iter_rows()
    }
    for session, rule, brake in closed.iter_rows():
        otherwise = "bleed_missing" if brake is None else "record_changed"
        note = BRAKE_STILL_LISTED if brake in listed_now else ""
        rows.append(_recall_row("recall_closed", session, rule, closed_by.get((session, rule), otherwise), note))
    return rows


def _recall_row(kind: str, session: str, before: str | None, now: str, note: str) -> Row:
    return {
        "kind": kind,
        "subject_kind": "session",
        "subject": session,
        "state_before": before,
        "state_now": now,
        "note": note,
    }


def signal_changes(before: pl.DataFrame, report: Report, levels: Levels) -> list[Row]:
    """Groups whose rate is or was statistically clear; a new signal is confirmed if it is clear at the level of this look."""
    columns = ("kind", "group", "signal", "ratio", "q_value")
    old = before.select(*columns).rename({name: f"{name}_before" for name in columns[2:]})
    now = report.rates.select(*columns, "ratio_lo", "ratio_hi")
    both = now.join(old, on=["kind", "group"], how="full", coalesce=True).sort("kind", "group")
    rows = []
    for row in both.iter_rows(named=True):
        is_clear, was_clear = row["signal"] in CLEAR_SIGNALS, row["signal_before"] in CLEAR_SIGNALS
        if not (is_clear or was_clear):
            continue
        same = row["signal"] == row["signal_before"] and not levels.is_new(row["q_value_before"], row["q_value"])
        kind = "signal_remains" if is_clear and same else "signal_appeared" if is_clear else "signal_gone"
        confirmed = row["q_value"] is not None and row["q_value"] <= levels.now if kind == "signal_appeared" else None
        rows.append(
            {
                "kind": kind,
                "subject_kind": row["kind"],
                "subject": row["group"],
                "state_before": row["signal_before"],
                "state_now": row["signal"],
                "before": row["ratio_before"],
                "now": row["ratio"],
                "lo": row["ratio_lo"],
                "hi": row["ratio_hi"],
                "confirmed": confirmed,
                "note": "comebacks / expected",
            }
        )
    return rows


def new_change_points(before: pl.DataFrame, report: Report, levels: Levels) -> list[Row]:
    """Change points that this audit reports and the earlier one did not, confirmed if clear at the level of this look."""
    old: dict[tuple[str, str], list[tuple[int, float | None]]] = {}
    points = before.filter("change_began").select("kind", "group", "month", "change_p_value")
    for kind, group, month, p in points.iter_rows():
        old.setdefault((kind, group), []).append((_month_count(month), p))
    rows = []
    for row in report.months.filter("change_began").iter_rows(named=True):
        earlier_points = old.get((row["kind"], row["group"]), [])
        same = [p for month, p in earlier_points if abs(_month_count(row["month"]) - month) <= SAME_CHANGE_MONTHS]
        if not same or any(levels.is_new(p, row["change_p_value"]) for p in same):
            step = f"; step that changed with it: {row['step_moved']}" if row["step_moved"] else ""
            subject = {"kind": "change_named", "subject_kind": row["kind"], "subject": row["group"]}
            rows.append(
                subject
                | {
                    "state_now": row["month"],
                    "confirmed": row["change_p_value"] <= levels.now,
                    "note": f"month in which it began{step}",
                }
            )
    return rows


def _month_count(month: str) -> int:
    return 12 * int(month[:4]) + int(month[5:7])


def step_changes(before: pl.DataFrame, report: Report, levels: Levels) -> list[Row]:
    """Steps whose verdict changed; that a step costs comebacks is confirmed if it is clear at the level of this look."""
    old = {row["step"]: row for row in before.iter_rows(named=True)}
    rows = []
    for row in report.steps.iter_rows(named=True):
        was = old.get(row["step"])
        costs = row["verdict"] == "costs_comebacks"
        same = was is not None and was["verdict"] == row["verdict"]
        if was is None or (same and not (costs and levels.is_new(was["q_value"], row["q_value"]))):
            continue
        rows.append(
            {
                "kind": "step_verdict",
                "subject_kind": "step",
                "subject": row["step"],
                "state_before": was["verdict"],
                "state_now": row["verdict"],
                "before": was["preventable_per_100"],
                "now": row["preventable_per_100"],
                "lo": row["lo"],
                "hi": row["hi"],
                "confirmed": row["q_value"] is not None and row["q_value"] <= levels.now if costs else None,
                "note": "comebacks prevented per 100 bleeds",
            }
        )
    return rows


def group_changes(then: BleedData, report: Report) -> list[Row]:
    """Groups with their first bleed since the earlier audit, and groups that stopped although bleeds were expected."""
    rows = []
    days = (report.as_of - then.as_of).days
    since = report.data.bleeds.filter(pl.col("started_at").dt.date() > then.as_of)
    recent = then.bleeds.filter(pl.col("age_days") < PACE_DAYS)
    for kind, column in KINDS.items():
        counts = {
            name: dict(frame.group_by(column).len().drop_nulls().iter_rows())
            for name, frame in {
                "then": then.bleeds,
                "recent": recent,
                "since": since,
                "now": report.data.bleeds,
            }.items()
        }
        for group in sorted(counts["now"].keys() - counts["then"].keys()):
            n = counts["now"][group]
            rows.append(_group_row("group_new", kind, group, 0, n, f"first bleed since {then.as_of}"))
        for group in sorted(counts["recent"].keys() - counts["since"].keys()):
            expected = counts["recent"][group] * days / PACE_DAYS
            if expected >= GONE_EXPECTED:
                note = f"no bleed since {then.as_of}; about {expected:.0f} were expected at the earlier pace"
                rows.append(_group_row("group_gone", kind, group, counts["recent"][group], 0, note))
    return rows


def _group_row(kind: str, group_kind: str, group: str, before: int, now: int, note: str) -> Row:
    subject = {"kind": kind, "subject_kind": group_kind, "subject": group}
    return subject | {"before": float(before), "now": float(now), "note": f"bleeds; {note}"}
