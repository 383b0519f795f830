"""Validation alone: where each row of an export went."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from analysis.commands.audit_folder import standard_for
from analysis.intake import Log, read_log
from analysis.output import claim_folder, write_check


@dataclass(frozen=True)
class CheckResult:
    """What came of it, in words, and how many rows were set aside."""

    log: Log
    text: str
    rows_set_aside: int


def check_exports(
    exports: Sequence[str],
    map_path: str | None = None,
    standard_path: str | None = None,
    as_of: dt.date | None = None,
    out: Path | None = None,
) -> CheckResult:
    """Read and validate exports, and tell of every row and value that was not accepted.

    Raises
    ------
    UserError
        Anything a user can mend.
    """
    inputs = (*exports, map_path, standard_path)
    with nullcontext() if out is None else claim_folder(out, "check", inputs) as place:
        log = read_log(exports, map_path, as_of)
        standard_for(log, standard_path)
        if place is not None:
            with place.write() as folder:
                write_check(folder, log)
    return CheckResult(log, _summary(log, out), int(log.intake.get_column("set_aside").sum()))


def _summary(log: Log, out: Path | None) -> str:
    lines = [f"As of {log.as_of}."]
    for row in log.intake.iter_rows(named=True):
        lines.append(
            f"{row['file']} ({row['table']}): {row['rows_read']:,} rows read = {row['accepted']:,} accepted + "
            f"{row['set_aside']:,} set aside + {row['duplicates']:,} copies; {row['values_blanked']:,} values blanked"
            + (f"; {row['unlinked']:,} returns unlinked" if row["unlinked"] else "")
        )
    reasons = (
        log.set_aside.group_by("action", "table", "column", "rule")
        .agg(n=pl.len(), row=pl.col("row").min(), message=pl.col("message").sort_by("row").first())
        .sort("n", "action", "table", "column", "rule", descending=[True, False, False, False, False], nulls_last=True)
    )
    if reasons.height:
        lines.append("Why, commonest first (n, first row, reason):")
    for row in reasons.head(20).iter_rows(named=True):
        lines.append(f"  {row['n']:>7,}  row {row['row']:,}  {row['table']}: {row['message'][:160]} [{row['action']}]")
    if reasons.height > 20:
        lines.append(f"  … and {reasons.height - 20} more kinds of reason")
    lines += [f"Note: {warning}" for warning in log.warnings[:12]]
    lines.append(f"Every reason: {out}/tables/set_aside.csv" if out else "Every reason, row by row: add --out DIR.")
    return "\n".join(lines)
