"""Recalls, signals, change points, verdicts and groups that differ between two audits."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.dataset import BleedData
from analysis.rates import KINDS
from analysis.report import Report
from analysis.rounds.earlier import SignificanceLevels

Row = dict[str, Any]

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


def signal_changes(before: pl.DataFrame, report: Report, levels: SignificanceLevels) -> list[Row]:
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


def new_change_points(before: pl.DataFrame, report: Report, levels: SignificanceLevels) -> list[Row]:
    """Change points that this audit reports and the earlier one did not, confirmed if clear at the level of this look."""
    old: dict[tuple[str, str], list[tuple[int, float | None]]] = {}
    points = before.filter("change_began").select("kind", "group", "month", "change_p_value")
    for kind, group, month, p in points.iter_rows():
        old.setdefault((kind, group), []).append((_months_since_year_zero(month), p))
    rows = []
    for row in report.months.filter("change_began").iter_rows(named=True):
        earlier_points = old.get((row["kind"], row["group"]), [])
        same = [
            p for month, p in earlier_points if abs(_months_since_year_zero(row["month"]) - month) <= SAME_CHANGE_MONTHS
        ]
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


def _months_since_year_zero(month: str) -> int:
    return 12 * int(month[:4]) + int(month[5:7])


def step_changes(before: pl.DataFrame, report: Report, levels: SignificanceLevels) -> list[Row]:
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
