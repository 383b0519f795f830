"""Small good files of every kind that is read, to be corrupted."""

from __future__ import annotations

import io
import json
import sqlite3
import tempfile
from collections.abc import Callable
from functools import cache
from importlib import resources
from pathlib import Path

import polars as pl
import xlsxwriter

from analysis.risk import model_bytes
from analysis.risk.persistence import SEAL_START
from tests.risk.simulated import fitted

ROWS = [
    ("S1", "B1", "front", "Wren", "2026-01-05T09:10:00", 78.0, 2, True, "scheduled", 0.75, "quick, but clean"),
    ("S2", "B1", "rear", "Wren", "2026-01-06T10:00:00", 81.5, 3, True, "soft_lever", 0.7, 'said "soft"'),
    ("S3", "B2", "front", "Hazel", "2026-01-07", None, 1, False, "", 0.68, "naïve café – ok"),
    ("S4", "B3", "rear", "Hazel", "2026-02-01T08:00:00", 75.0, None, None, "other", None, ""),
    ("S5", "B4", "front", "Isle", "2026-02-02T08:00:00", 79.0, 2, True, "new_hose", 0.8, "two\nlines"),
]
NAMES = (
    "session_id", "bike_id", "brake", "technician", "started_at", "lever_reach_mm", "cycles", "kit_purged", "job_reason",
    "lever_syringe_fill", "note",
)  # fmt: skip
MAP = """
[sessions]
decimal = ","
date_order = "dmy"
missing = ["?", "k.A."]
short_rows = true
[sessions.columns]
session_id = "Auftrag-Nr."
bike_id = "Rad"
brake = "Bremse"
technician = "Wer"
started_at = "Datum"
hose_mm = { heading = "Länge [cm]", unit = "cm" }
[sessions.values.brake]
front = ["vorne", "v"]
rear = ["hinten", "h"]
[sessions.own.grease_g]
heading = "Fett [g]"
type = "number"
min = 0
max = 10.5
[[comebacks]]
in_bleed_rows = true
encoding = "cp1252"
delimiter = ";"
[comebacks.columns]
bike_id = "Rad"
returned_at = "Datum"
"""


def _frame() -> pl.DataFrame:
    return pl.DataFrame(ROWS, schema=NAMES, orient="row")


def _text() -> bytes:
    return _frame().write_csv().encode()


def _lines() -> bytes:
    return "".join(json.dumps(dict(zip(NAMES, row, strict=True))) + "\n" for row in ROWS).encode()


def _parquet() -> bytes:
    buffer = io.BytesIO()
    _frame().write_parquet(buffer)
    return buffer.getvalue()


def _book() -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer) as book:
        sheet = book.add_worksheet("log")
        for place, row in enumerate([NAMES, *ROWS]):
            sheet.write_row(place, 0, ["" if cell is None else cell for cell in row])
    return buffer.getvalue()


def _database() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.sqlite"
        with sqlite3.connect(path) as shop:
            shop.execute(f"CREATE TABLE sessions ({', '.join(NAMES)})")
            shop.executemany(f"INSERT INTO sessions VALUES ({', '.join('?' * len(NAMES))})", ROWS)
        shop.close()
        return path.read_bytes()


def _standard() -> bytes:
    return (resources.files("analysis.standard") / "built_in.toml").read_bytes()


def _manifest() -> bytes:
    manifest = {"made_by": "rebleed", "version": "0.1.0", "inputs": [], "as_of": "2026-02-02", "window_days": 90}
    return json.dumps({**manifest, "seconds": {"read": 0.1}}, indent=2).encode()


def _model() -> bytes:
    content = model_bytes(fitted().saved)
    return content[: content.rindex(SEAL_START)]


_SEEDS: dict[str, Callable[[], bytes]] = {
    "text": _text, "lines": _lines, "parquet": _parquet, "book": _book, "database": _database, "map": MAP.encode,
    "standard": _standard, "manifest": _manifest, "model": _model,
}  # fmt: skip
KINDS = tuple(_SEEDS)


@cache
def seed_of(kind: str) -> bytes:
    return _SEEDS[kind]()
