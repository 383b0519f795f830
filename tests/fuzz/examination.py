"""Check what a reader does with any file: read it with every row accounted for, or refuse it with one clear message."""

from __future__ import annotations

import json
from pathlib import Path

from analysis.errors import UserError
from analysis.intake import Log, log_from, raw_tables, read_map
from analysis.output import refuse_foreign
from analysis.risk import load_model
from analysis.risk.persistence import seal_archive
from analysis.standard import read_standard
from tests.fuzz.seeds import seed_of

ENDINGS = {
    "text": "csv", "lines": "jsonl", "parquet": "parquet", "book": "xlsx", "database": "sqlite", "map": "toml",
    "standard": "toml", "manifest": "json", "model": "npz",
}  # fmt: skip
MAX_LINES, MAX_LINE_CHARACTERS = 12, 10_000


def examine(kind: str, data: bytes, folder: Path, *, whole: bool) -> bool:
    """Whether the file was read; with `whole` an export is also made a log.

    Raises
    ------
    AssertionError
        A row is lost, or the message is not clear.
    """
    path = folder / f"case.{ENDINGS[kind]}"
    path.write_bytes(data)
    try:
        if kind == "map":
            read_map(path)
        elif kind == "standard":
            read_standard(str(path))
        elif kind == "model":
            load_model(seal_archive(data), str(path))
        elif kind == "manifest":
            _check_manifest(data, folder)
        else:
            _read(kind, path, whole)
    except UserError as refusal:
        _check_message(refusal)
        return False
    return True


def _check_message(refusal: UserError) -> None:
    assert refusal.location
    assert refusal.problem
    assert all(len(line) < MAX_LINE_CHARACTERS for line in str(refusal).splitlines()[:MAX_LINES])


def _read(kind: str, path: Path, whole: bool) -> None:
    result = raw_tables([str(path)])
    for table in result.tables:
        assert len(set(table.headings)) == len(table.headings)
        rows = table.cells.get_column("__row__").to_list() + table.broken.get_column("__row__").to_list()
        assert len(rows) == len(set(rows)) == table.rows_read
        if kind == "lines":
            text = path.read_bytes()
            assert table.rows_read <= text.count(b"\n") + text.count(b"\r") + 1
    if whole:
        _check_row_counts(log_from(result, None, None))


def _check_row_counts(log: Log) -> None:
    intake = log.intake
    parts = intake["accepted"] + intake["set_aside"] + intake["duplicates"]
    assert intake["rows_read"].to_list() == parts.to_list()
    assert int(intake["accepted"].sum()) == sum(
        len(table) for table in (log.sessions, log.comebacks, log.passes, log.technicians, log.coaching, log.brakes)
    )


def _check_manifest(data: bytes, folder: Path) -> None:
    """Read a folder of exports with this manifest, and let a run replace that folder."""
    inside = folder / "inside"
    inside.mkdir(exist_ok=True)
    (inside / "manifest.json").write_bytes(data)
    (inside / "sessions.csv").write_bytes(seed_of("text"))
    refuse_foreign(inside, "audit")
    assert json.loads(data)["made_by"] == "rebleed", "only the output of a run may be replaced"
    raw_tables([str(inside)])
