"""Fresh bleeds scored by a saved model: what the command does, as a function."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import CannotRun
from analysis.intake import Log, read_log
from analysis.output import coded, csv_text, hidden, key_path, read_key, write_key
from analysis.risk import SavedModel, fresh_risk, read_model
from schemas import checked
from schemas.outputs import Risk


@dataclass(frozen=True)
class Scored:
    """The risks, and the words for the terminal."""

    risk: DataFrame[Risk]
    text: str


def score_exports(
    exports: Sequence[str],
    model_path: Path,
    map_path: str | None = None,
    out: Path | None = None,
    hide_names: bool = False,
) -> Scored:
    """Read exports, tell each bleed's risk by a saved model, and write the table if asked to.

    A model that knows technicians by codes needs the key beside its run's folder, and writes codes. With `hide_names` a
    model that knows names reads them, and codes stand in what is written.

    Raises
    ------
    CannotRun
        Anything a user can mend: the model file, the exports, the map, the file to write.
    """
    if out is not None and (out.is_dir() or out.is_symlink()):
        raise CannotRun(str(out), "is no file to write to", "a file such as risk.csv", "name another --out")
    saved = read_model(model_path)
    if saved.names_hidden and not hide_names:
        raise CannotRun(
            str(model_path),
            "knows technicians by codes",
            "--hide-names",
            "add --hide-names: the run's key is then read",
        )
    log = read_log(exports, map_path)
    risk = _told(saved, log, model_path, out) if hide_names else fresh_risk(saved, log)
    text = csv_text(risk)
    if out is not None:
        _write(out, text)
    return Scored(risk, _words(risk, out))


def _told(saved: SavedModel, log: Log, model_path: Path, out: Path | None) -> DataFrame[Risk]:
    """With codes for names in whatever is written; the key is that of the model's run."""
    key = key_path(model_path.absolute().parent)
    known = read_key(key)
    codes = coded(log, known, random.SystemRandom())
    masked = hidden(log, codes)
    if codes != known:
        write_key(key if saved.names_hidden or out is None else out.with_name(f"{out.name}.names.csv"), codes)
    if saved.names_hidden:
        return fresh_risk(saved, masked)
    risk = fresh_risk(saved, log)
    ids = dict(zip(log.sessions.get_column("session_id"), masked.sessions.get_column("session_id"), strict=True))
    return checked(Risk, risk.with_columns(pl.col("session_id").replace(ids)).sort("session_id"))


def _write(out: Path, text: str) -> None:
    beside = out.with_name(f".{out.name}.writing")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(text, encoding="utf-8")
        beside.replace(out)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise CannotRun(str(out), f"cannot be written: {error.strerror}", "a file", "name another --out") from error


def _words(risk: pl.DataFrame, out: Path | None) -> str:
    chosen = risk.filter("on_worklist").sort("risk", "session_id", descending=[True, False])
    lines = [f"{risk.height:,} {'bleed' if risk.height == 1 else 'bleeds'} scored; highest risks of the last days:"]
    for row in chosen.head(15).iter_rows(named=True):
        told = "; ".join(row[name] for name in ("reason_1", "reason_2", "reason_3") if row[name])
        lines.append(
            f"  {row['session_id']:<20} {row['risk']:>4.0%} ({row['risk_lo']:.0%}–{row['risk_hi']:.0%})  {told}"
        )
    if chosen.is_empty():
        lines[0] = lines[0].split(";")[0] + "."
    lines.append(f"Every bleed: {out}" if out else "Every bleed, with its reasons: add --out FILE.")
    return "\n".join(lines)
