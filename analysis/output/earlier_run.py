"""Read the folder of an earlier audit; nothing in it is changed."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from analysis.errors import UserError
from analysis.intake import Log, read_small_file, remove_guards
from analysis.output.manifest import MADE_BY, MANIFEST, MAX_MANIFEST_BYTES
from analysis.rounds import EarlierAudit
from schemas import AUDIT_TABLES, LOG_TABLES, empty, validate_table
from schemas.intermediate import Links
from schemas.outputs import Intake, SetAside

if TYPE_CHECKING:
    from analysis.risk import SavedModel  # which imports scikit-learn

REQUIRED_LOG = ("sessions", "comebacks")
REQUIRED_TABLES = {
    "rates": ("kind", "group", "signal", "ratio"),
    "months": ("kind", "group", "month", "change_began"),
    "steps": ("step", "verdict", "preventable_per_100"),
    "holds": ("session_id", "rule", "open"),
    "risk": ("session_id", "on_worklist"),
}
"""Tables that are compared, with the columns needed."""
OPTIONAL_TABLES = ("predictions",)
EXPECTED = "the folder of an earlier rebleed audit, with all its files"


def read_earlier(folder: str | Path) -> EarlierAudit:
    """Read the log, tables and model of an earlier audit.

    A model that this version cannot read is left out, with a note; no prediction is then compared.

    Raises
    ------
    UserError
        The folder is not of an audit, or lacks something.
    """
    path = Path(folder)
    manifest = _read_manifest(path)
    missing = _find_missing_files(path, manifest)
    if missing:
        raise _earlier_run_error(path, f"lacks {', '.join(missing)}")
    try:
        log = _read_log(path, dt.date.fromisoformat(manifest["as_of"]))
        tables = {name: _read_table(path, name) for name in (*REQUIRED_TABLES, *OPTIONAL_TABLES)}
    except (OSError, ValueError, KeyError, TypeError, pl.exceptions.PolarsError) as error:
        raise _earlier_run_error(path, f"cannot be read: {str(error).splitlines()[0][:160]}") from error
    model, notes = _read_model(path, manifest)
    return EarlierAudit(
        folder=str(folder),
        log=log,
        window_days=int(manifest.get("window_days") or 0),
        names_hidden=bool(manifest.get("names_hidden")),
        look=int(manifest.get("look") or 0),
        tables=tables,
        model=model,
        notes=notes,
    )


def _read_manifest(path: Path) -> dict[str, Any]:
    try:
        if not (path / MANIFEST).exists():
            raise _earlier_run_error(path, f"has no {MANIFEST}" if path.is_dir() else "is not a folder")
        content = json.loads(read_small_file(path / MANIFEST, EXPECTED, most=MAX_MANIFEST_BYTES))
    except (OSError, ValueError, RecursionError) as error:
        raise _earlier_run_error(path, f"{MANIFEST} cannot be read") from error
    kind = content.get("made", "audit") if isinstance(content, dict) else None
    if not isinstance(content, dict) or content.get("made_by") != MADE_BY or kind != "audit":
        raise _earlier_run_error(
            path, f"was written by something else: {kind if kind and kind != 'audit' else 'unknown'}"
        )
    return content


def _find_missing_files(path: Path, manifest: dict[str, Any]) -> list[str]:
    """Files and columns that the comparison needs and the folder does not have."""
    files = [f"log/{name}.parquet" for name in REQUIRED_LOG] + [f"tables/{name}.csv" for name in REQUIRED_TABLES]
    files += ["model.npz"] if manifest.get("model_sha256") else []
    missing = [name for name in files if not (path / name).is_file()]
    missing += [] if manifest.get("as_of") else [f"{MANIFEST}: as_of"]
    for name, columns in REQUIRED_TABLES.items():
        file = path / "tables" / f"{name}.csv"
        if file.is_file():
            with file.open(encoding="utf-8") as lines:
                headings = lines.readline().strip().split(",")
            missing += [f"tables/{name}.csv: column {column}" for column in columns if column not in headings]
    return missing


def _read_log(path: Path, as_of: dt.date) -> Log:
    tables: dict[str, Any] = {}
    for name, model in LOG_TABLES.items():
        file, schema = path / "log" / f"{name}.parquet", empty(model).schema
        frame = pl.read_parquet(file) if file.is_file() else pl.DataFrame(schema=schema)
        absent = [
            pl.lit(None, dtype=kind).alias(column) for column, kind in schema.items() if column not in frame.columns
        ]
        tables[name] = validate_table(model, frame.with_columns(absent))
    return Log(
        **tables,
        links=empty(Links),
        intake=empty(Intake),
        set_aside=empty(SetAside),
        as_of=as_of,
        has_comebacks_table=not tables["comebacks"].is_empty(),
    )


def _read_table(path: Path, name: str) -> pl.DataFrame:
    """A table of the folder with the types of today; columns it lacks are empty."""
    file, schema = path / "tables" / f"{name}.csv", empty(AUDIT_TABLES[name]).schema
    if not file.is_file():
        return pl.DataFrame(schema=schema)
    text = pl.read_csv(file, infer_schema=False)
    columns = []
    for column, kind in schema.items():
        value = pl.col(column) if column in text.columns else pl.lit(None, pl.String).alias(column)
        if kind == pl.Boolean:
            value = (value == "true").alias(column)
        elif kind == pl.Date:
            value = value.str.to_date()
        elif kind == pl.String:
            value = remove_guards(value)
        else:
            value = value.cast(kind)
        columns.append(value)
    return text.select(columns)


def _read_model(path: Path, manifest: dict[str, Any]) -> tuple[SavedModel | None, tuple[str, ...]]:
    if not manifest.get("model_sha256"):
        return None, ("The earlier audit saved no model (too few comebacks), so no prediction is compared.",)
    from analysis.risk import read_model

    try:
        return read_model(path / "model.npz"), ()
    except UserError as error:
        return None, (f"The earlier model cannot be used, so its predictions are not compared: {error.problem}.",)


def _earlier_run_error(path: Path, problem: str) -> UserError:
    return UserError(f"--since {path}", problem, EXPECTED, "name the folder of an audit, or run that audit again")
