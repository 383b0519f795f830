"""Fresh bleeds scored by a saved model: what the command does, as a function."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from analysis.intake import Log, read_log
from analysis.output import (
    assign_codes,
    csv_text,
    hidden_ids,
    key_path,
    pseudonymise,
    read_key,
    refuse_existing,
    run_lock,
    write_key,
    write_new_file,
)
from analysis.risk import SavedModel, read_model, score_new
from schemas import validate_table
from schemas.outputs import Risk


@dataclass(frozen=True)
class ScoreResult:
    """The risks, and the words for the terminal."""

    risk: DataFrame[Risk]
    text: str


def score_exports(
    exports: Sequence[str],
    model_path: Path,
    map_path: str | None = None,
    out: Path | None = None,
    hide_names: bool = False,
) -> ScoreResult:
    """Read exports, tell each bleed's risk by a saved model, and write the table if asked to.

    A model that knows technicians by codes needs the key beside its run's folder, and writes codes. With `hide_names` a
    model that knows names reads them, and codes stand in what is written.

    Raises
    ------
    UserError
        Anything a user can mend: the model file, the exports, the map, the file to write.
    """
    if out is not None:
        refuse_existing(out)
    saved = read_model(model_path)
    if saved.names_hidden and not hide_names:
        raise UserError(
            str(model_path),
            "knows technicians by codes",
            "--hide-names",
            "add --hide-names: the run's key is then read",
        )
    log = read_log(exports, map_path)
    risk = _score(saved, log, model_path, out) if hide_names else score_new(saved, log)
    if out is not None:
        write_new_file(out, csv_text(risk))
    return ScoreResult(risk, _summary(risk, out))


def _score(saved: SavedModel, log: Log, model_path: Path, out: Path | None) -> DataFrame[Risk]:
    """With codes for names in whatever is written; the key is that of the model's run."""
    folder = model_path.absolute().parent
    own_key = out is not None and not saved.names_hidden
    with nullcontext() if own_key else _lock(folder):
        key = key_path(folder)
        known = read_key(key)
        codes = assign_codes(log, known, random.SystemRandom())
        masked = pseudonymise(log, codes)
        if codes != known:
            _write_codes(key, codes, out if own_key else None)
    if saved.names_hidden:
        return score_new(saved, masked)
    risk = score_new(saved, log)
    ids = hidden_ids(log, codes)
    return validate_table(Risk, risk.with_columns(pl.col("session_id").replace(ids)).sort("session_id"))


@contextmanager
def _lock(folder: Path) -> Iterator[None]:
    """Keep an audit that writes this folder, and its key, away meanwhile."""
    with ExitStack() as stack:
        try:
            stack.enter_context(run_lock(folder))
        except OSError as error:
            raise UserError(
                str(folder), f"its key to names cannot be kept: {error.strerror}", "a place that can be written", ""
            ) from error
        yield


def _write_codes(key: Path, codes: dict[str, str], out: Path | None) -> None:
    """Into the run's key, or into one of its own next to the table."""
    if out is None:
        write_key(key, codes)
        return
    own = key_path(out)
    refuse_existing(own)
    write_key(own, codes)


def _summary(risk: pl.DataFrame, out: Path | None) -> str:
    chosen = risk.filter("on_worklist").sort("risk", "session_id", descending=[True, False])
    lines = [f"{risk.height:,} {'bleed' if risk.height == 1 else 'bleeds'} scored; highest risks of the last days:"]
    for row in chosen.head(15).iter_rows(named=True):
        reasons = "; ".join(row[name] for name in ("reason_1", "reason_2", "reason_3") if row[name])
        lines.append(
            f"  {row['session_id']:<20} {row['risk']:>4.0%} ({row['risk_lo']:.0%}–{row['risk_hi']:.0%})  {reasons}"
        )
    if chosen.is_empty():
        lines[0] = lines[0].split(";")[0] + "; none of the last days is worth a second check."
    lines.append(f"Every bleed: {out}" if out else "Every bleed, with its reasons: add --out FILE.")
    return "\n".join(lines)
