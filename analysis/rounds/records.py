"""Records of the earlier log that are missing now or differ."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.intake import Log
from schemas import LOG_TABLES

COMPARED = {"sessions": "session_id", "comebacks": "comeback_id"}
CLOSE = 1e-9
"""Relative difference up to which two readings are the same."""


def changed_records(earlier: Log, log: Log) -> list[dict[str, Any]]:
    """Bleeds and returns that are missing now, by technician, and fields that differ, by field and technician.

    A change of the past may be a correction: it is listed, not judged. Whose: the technician of the bleed.
    """
    rows = []
    for table, key in COMPARED.items():
        before, now = _with_technician(earlier, table), _with_technician(log, table)
        missing = before.join(now, on=key, how="anti")
        rows += [_row("records_missing", table, who, "", n) for who, n in _counts(missing)]
        both = before.join(now, on=key, how="inner", suffix=" now")
        for name in LOG_TABLES[table].to_schema().columns:
            if name != key:
                rows += [
                    _row("records_changed", table, who, name, n)
                    for who, n in _counts(both.filter(_differs(both, name)))
                ]
    return rows


def _with_technician(log: Log, table: str) -> pl.DataFrame:
    """A table of the log with the technician of each row's bleed as `whose`."""
    frame: pl.DataFrame = getattr(log, table)
    if table == "sessions":
        return frame.with_columns(whose="technician")
    of_bleed = log.links.join(log.sessions.select("session_id", whose="technician"), on="session_id", how="left")
    return frame.join(of_bleed.select("comeback_id", "whose"), on="comeback_id", how="left")


def _differs(both: pl.DataFrame, name: str) -> pl.Expr:
    before, now = pl.col(name), pl.col(f"{name} now")
    if both.schema[name].is_float():
        same = (before - now).abs() <= CLOSE * pl.max_horizontal(before.abs(), now.abs())
        return ~same.fill_null(False) & ~(before.is_null() & now.is_null())
    return before.ne_missing(now)


def _counts(rows: pl.DataFrame) -> list[tuple[str, int]]:
    counts = rows.group_by(pl.col("whose").fill_null("no technician known")).len().sort("whose")
    return [(str(who), int(n)) for who, n in counts.iter_rows()]


def _row(kind: str, table: str, technician: str, field: str, number: int) -> dict[str, Any]:
    noun = {"sessions": "bleed", "comebacks": "return"}[table]
    one = number == 1
    state = (
        ("has another value now" if one else "have another value now")
        if field
        else f"{'is' if one else 'are'} missing now"
    )
    return {
        "kind": kind,
        "subject_kind": field or table,
        "subject": technician,
        "now": float(number),
        "note": f"{number:,} {noun if one else noun + 's'} of the earlier log {state}",
    }
