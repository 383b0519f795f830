"""Small logs for tests, drawn row by row; what a row does not name is not recorded."""

from __future__ import annotations

import datetime as dt
from functools import cache
from typing import Any

import pandera.polars as pa
import polars as pl

from analysis.intake import Log
from schemas import LOG_TABLES, empty, intermediate, validate_table
from schemas.outputs import Intake, SetAside

AS_OF = dt.date(2026, 6, 30)


def moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


def table(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """A canonical table of those rows; a moment may be text, and has a time when the text has one."""
    model = LOG_TABLES[name]
    if not rows:
        return _none_of(name)
    schema = _schema(name)
    moments = [column for column, kind in schema.items() if kind == pl.Datetime]
    filled = []
    for number, row in enumerate(rows, 2):
        values: dict[str, Any] = {column: row.get(column) for column in schema}
        for column in moments:
            values[column] = moment(row[column]) if isinstance(row[column], str) else row[column]
            values[f"{column}_has_time"] = not isinstance(row[column], str) or len(row[column]) > 10
        own = {column: value for column, value in row.items() if column.startswith("own.")}
        filled.append(values | own | {"file": f"{name}.csv", "row": number})
    return validate_table(
        model, pl.DataFrame(filled, schema_overrides={**schema, **_other(name)}, infer_schema_length=None)
    )


def bleed(session_id: str, started_at: str, **others: Any) -> dict[str, Any]:
    usual = {"bike_id": "bike", "brake": "front", "technician": "Wren"}
    return usual | {"session_id": session_id, "started_at": started_at} | others


def comeback(comeback_id: str, returned_at: str, **others: Any) -> dict[str, Any]:
    usual = {"bike_id": "bike", "brake": "front", "complaint": "soft_lever"}
    return usual | {"comeback_id": comeback_id, "returned_at": returned_at} | others


def log_of(
    sessions: list[dict[str, Any]],
    comebacks: list[dict[str, Any]] | None = None,
    links: dict[str, str | None] | None = None,
    brakes: list[dict[str, Any]] | None = None,
    coaching: list[dict[str, Any]] | None = None,
    measures: list[dict[str, Any]] | None = None,
    actions: list[dict[str, Any]] | None = None,
    as_of: dt.date = AS_OF,
) -> Log:
    """A log of those rows; `links` tells which bleed each return answers to (comeback_id to session_id).

    Without `links` a return answers to the session_id in its own row, if it has one.
    """
    bled, back = table("sessions", sessions), table("comebacks", comebacks or [])
    if links is None:
        links = dict(back.select("comeback_id", "session_id").iter_rows())
    started = dict(bled.select("session_id", "started_at").iter_rows())
    rows = [
        {"comeback_id": c, "session_id": s, "days": None if s is None else (r.date() - started[s].date()).days}
        for c, r in back.select("comeback_id", "returned_at").iter_rows()
        for s in [links.get(c) if links.get(c) in started else None]
    ]
    return Log(
        sessions=bled,
        comebacks=back,
        passes=table("passes", []),
        technicians=table("technicians", []),
        coaching=table("coaching", coaching or []),
        measures=table("measures", measures or []),
        brakes=table("brakes", brakes or []),
        actions=table("actions", actions or []),
        links=validate_table(intermediate.Links, pl.DataFrame(rows, schema=_empty(intermediate.Links).schema)),
        intake=_empty(Intake),
        set_aside=_empty(SetAside),
        as_of=as_of,
        has_comebacks_table=comebacks is not None,
    )


@cache
def _schema(name: str) -> pl.Schema:
    return empty(LOG_TABLES[name]).schema


@cache
def _none_of(name: str) -> pl.DataFrame:
    return validate_table(LOG_TABLES[name], pl.DataFrame(schema={**_schema(name), **_other(name)}))


@cache
def _empty(model: type[pa.DataFrameModel]) -> pl.DataFrame:
    return empty(model)


def _other(name: str) -> dict[str, Any]:
    moments = [column for column, kind in _schema(name).items() if kind == pl.Datetime]
    return {f"{column}_has_time": pl.Boolean for column in moments} | {"file": pl.String, "row": pl.Int64}
