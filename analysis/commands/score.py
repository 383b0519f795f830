"""The `score` command: risks of new bleeds by a saved model."""

from __future__ import annotations

import datetime as dt
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
    key_path,
    pseudonymise,
    read_key,
    refuse_existing,
    replacements_in_column,
    run_lock,
    write_key,
    write_new_file,
)
from analysis.risk import SavedModel, read_model, score_with_saved_model
from schemas import validate_table
from schemas.outputs import Risk


@dataclass(frozen=True)
class ScoreResult:
    """The risks and the text for the terminal."""

    risk: DataFrame[Risk]
    text: str


def score_exports(
    exports: Sequence[str],
    model_path: Path,
    map_path: str | None = None,
    as_of: dt.date | None = None,
    *,
    out: Path | None = None,
    hide_names: bool = False,
) -> ScoreResult:
    """Read exports up to `as_of`, score each bleed with a saved model and write the table to `out`.

    A model fitted with hidden names needs the key next to the folder of its run, and its output has codes. A model fitted
    with names scores by name; `hide_names` then replaces names with codes in the output only.

    Raises
    ------
    UserError
        The model file, the exports, the map or the file to write.
    """
    if out is not None:
        refuse_existing(out)
    saved = read_model(model_path)
    if saved.names_hidden and not hide_names:
        raise UserError(
            str(model_path),
            "was fitted with codes for technicians",
            "the option --hide-names",
            "add --hide-names; names are then replaced by means of the key of that run",
        )
    log = read_log(exports, map_path, as_of)
    risk = _score_with_codes(saved, log, model_path, out) if hide_names else score_with_saved_model(saved, log)
    if out is not None:
        write_new_file(out, csv_text(risk))
    return ScoreResult(risk, _summary_text(risk, out, log.as_of))


def _score_with_codes(saved: SavedModel, log: Log, model_path: Path, out: Path | None) -> DataFrame[Risk]:
    """Score with codes for names in the output; the key is that of the model's run."""
    folder = model_path.absolute().parent
    own_key = out is not None and not saved.names_hidden
    with nullcontext() if own_key else _lock_run(folder):
        key = key_path(folder)
        existing_codes = read_key(key)
        codes = assign_codes(log, existing_codes, random.SystemRandom())
        masked = pseudonymise(log, codes)
        if codes != existing_codes:
            _write_codes(key, codes, out if own_key else None)
    if saved.names_hidden:
        return score_with_saved_model(saved, masked)
    risk = score_with_saved_model(saved, log)
    ids = replacements_in_column("session_id", log, codes)
    return validate_table(Risk, risk.with_columns(pl.col("session_id").replace(ids)).sort("session_id"))


@contextmanager
def _lock_run(folder: Path) -> Iterator[None]:
    """Lock the folder, so that no audit changes it or its key meanwhile."""
    with ExitStack() as stack:
        try:
            stack.enter_context(run_lock(folder))
        except OSError as error:
            raise UserError(
                str(folder),
                f"the key to names cannot be saved next to it: {error.strerror}",
                "a folder that can be written",
                "",
            ) from error
        yield


def _write_codes(key: Path, codes: dict[str, str], out: Path | None) -> None:
    """Write the codes to the key of the run, or to a new key next to the table."""
    if out is None:
        write_key(key, codes)
        return
    own = key_path(out)
    refuse_existing(own)
    write_key(own, codes)


def _summary_text(risk: pl.DataFrame, out: Path | None, as_of: dt.date) -> str:
    worklist = risk.filter("on_worklist").sort("risk", "session_id", descending=[True, False])
    scored = f"{risk.height:,} {'bleed' if risk.height == 1 else 'bleeds'} scored"
    lines = [
        f"{scored}; no recent bleed is worth a second check (taking {as_of}, the last date in these exports, as today; --as-of sets another)."
        if worklist.is_empty()
        else f"{scored}; highest recent risks (95% interval, main reasons):"
    ]
    for row in worklist.head(15).iter_rows(named=True):
        reasons = "; ".join(row[name] for name in ("reason_1", "reason_2", "reason_3") if row[name])
        lines.append(
            f"  {row['session_id']:<20} {row['risk']:>4.0%} ({row['risk_lo']:.0%}–{row['risk_hi']:.0%})  {reasons}"
        )
    lines.append(f"All bleeds: {out}" if out else "Add --out FILE for all bleeds with their reasons.")
    return "\n".join(lines)
