"""Check exports without an audit: what was accepted, and why the rest was not."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path, PurePath

import polars as pl

from analysis.commands.audit_folder import choose_standard
from analysis.intake import NO_RETURNS, Log, read_log
from analysis.output import claim_folder, write_check

MAX_REASONS, MAX_NOTES = 20, 12


@dataclass(frozen=True)
class CheckResult:
    """The log, a summary for the terminal, and the number of rejected rows."""

    log: Log
    text: str
    rows_rejected: int


def check_exports(
    exports: Sequence[str],
    map_path: str | None = None,
    standard_path: str | None = None,
    as_of: dt.date | None = None,
    out: Path | None = None,
    today: dt.date | None = None,
) -> CheckResult:
    """Read and validate exports, and account for every row and value that was not accepted.

    Raises
    ------
    UserError
        The exports, the map or the procedure cannot be used, or the folder cannot be written.
    """
    inputs = (*exports, map_path, standard_path)
    with nullcontext() if out is None else claim_folder(out, "check", inputs) as place:
        log = read_log(exports, map_path, as_of, today)
        choose_standard(log, standard_path)
        if place is not None:
            with place.write() as folder:
                write_check(folder, log)
    return CheckResult(log, _summary_text(log, as_of, out), int(log.intake.get_column("set_aside").sum()))


def _summary_text(log: Log, as_of: dt.date | None, out: Path | None) -> str:
    source = "the latest date in them" if as_of is None else "as given with --as-of"
    lines = [f"The exports run to {log.as_of.day} {log.as_of:%B %Y} ({source})."]
    lines += [_row_account(row) for row in log.intake.iter_rows(named=True)]
    if not log.has_comebacks_table:
        lines.append(f"{NO_RETURNS}. Add the export of returns, if there is one.")
    lines += _reason_lines(log.set_aside)
    notes = [f"Note: {warning}" for warning in log.warnings if warning != NO_RETURNS]
    lines += notes[:MAX_NOTES]
    if len(notes) > MAX_NOTES:
        lines.append(f"  … and {len(notes) - MAX_NOTES} more notes")
    lines.append(f"Every reason: {out}/tables/set_aside.csv" if out else "For every reason, row by row, add --out DIR.")
    return "\n".join(lines)


def _row_account(row: dict[str, str | int]) -> str:
    text = (
        f"{row['file']} ({row['table']}): {row['rows_read']:,} read = {row['accepted']:,} accepted + "
        f"{row['set_aside']:,} rejected + {row['duplicates']:,} duplicate; values blanked: {row['values_blanked']:,}"
    )
    returns = "1 return" if row["unlinked"] == 1 else f"{row['unlinked']:,} returns"
    return text + (f"; {returns} could not be matched to a bleed" if row["unlinked"] else "")


def _reason_lines(reasons: pl.DataFrame) -> list[str]:
    """The most common reasons, each with its number and the first row it was found in."""
    counts = (
        reasons.sort("file", "row")
        .group_by("action", "table", "column", "rule", maintain_order=True)
        .agg(pl.len().alias("n"), pl.first("file", "row", "message"))
        .sort("n", "action", "table", "column", "rule", descending=[True, False, False, False, False], nulls_last=True)
    )
    if counts.is_empty():
        return []
    lines = ["Reasons, most common first (count, first row, reason):"]
    for row in counts.head(MAX_REASONS).iter_rows(named=True):
        blanked = "value blanked: " if row["action"] == "value_blanked" else ""
        lines.append(f"  {row['n']:>7,}  {PurePath(row['file']).name} row {row['row']:,}  {blanked}{row['message']}")
    if counts.height > MAX_REASONS:
        lines.append(f"  … and {counts.height - MAX_REASONS} more reasons")
    return lines
