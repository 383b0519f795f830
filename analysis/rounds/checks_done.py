"""What became of recalls and second checks, and the share of faults that a check finds."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.intake import DONE, Log
from analysis.stats import exact_binomial_limits
from schemas import empty, validate_table
from schemas.log import ACTION_KINDS, ACTION_OUTCOMES
from schemas.outputs import SHARE_FOUND, ActionResults

FOUND_OUTCOMES = ("re_bled", "fault_found")
"""Outcomes of a second check that found a fault."""
MIN_CHECKED, MIN_FAULTS = 20, 5
"""Checked bleeds with a complete window, and faults known among them, from which the estimate replaces the assumption."""


@dataclass(frozen=True)
class ShareFound:
    """Of the checked bleeds whose window is complete: faults that the check found, and those that came back later."""

    checked: int
    faults_found: int
    missed: int

    @property
    def faults(self) -> int:
        return self.faults_found + self.missed

    @property
    def has_enough_checks(self) -> bool:
        """Whether there are enough checks to replace the assumed share."""
        return self.checked >= MIN_CHECKED and self.faults >= MIN_FAULTS

    @property
    def share(self) -> float | None:
        return self.faults_found / self.faults if self.faults else None

    @property
    def limits(self) -> tuple[float, float] | None:
        """Exact 95% limits, conditional on the number of faults."""
        if not self.faults:
            return None
        limits = exact_binomial_limits(self.faults_found, self.faults)
        return float(limits.lo), float(limits.hi)


def share_found(log: Log, data: BleedData) -> ShareFound:
    """Count what second checks found and missed.

    A bleed counts once, by its first check that ended firm, re-bled or with a fault found, and only if its window is
    complete. A fault that was missed is a comeback within the window, later than the check.
    """
    checks = log.actions.filter(
        DONE, pl.col("kind") == "second_check", pl.col("outcome").is_in((*FOUND_OUTCOMES, "firm"))
    )
    first = checks.sort("done_on", "action_id").unique("session_id", keep="first", maintain_order=True)
    bleeds = data.bleeds.filter("mature").select("session_id", "came_back", "return_days", "started_at")
    checked = first.select("session_id", "done_on", "outcome").join(bleeds, on="session_id", how="inner")
    check_day = (pl.col("done_on") - pl.col("started_at").dt.date()).dt.total_days()
    later = pl.col("came_back") & (pl.col("return_days") > check_day).fill_null(False)
    is_found = pl.col("outcome").is_in(FOUND_OUTCOMES)
    counts = checked.select(faults_found=is_found.sum(), missed=(~is_found & later).sum()).row(0)
    return ShareFound(checked.height, *map(int, counts))


def action_results(log: Log, share: ShareFound, assumed: float) -> DataFrame[ActionResults]:
    """Outcomes of recalls and second checks, and the share of faults that checks find."""
    done = log.actions.filter(DONE)
    rows = [
        {
            "measure": f"{kind}: {outcome}",
            "number": here.filter(pl.col("outcome") == outcome).height,
            "total": here.height,
        }
        for kind in ACTION_KINDS
        for here in [done.filter(pl.col("kind") == kind)]
        for outcome in ACTION_OUTCOMES
        if here.height
    ]
    if share.checked:
        limits = share.limits or (None, None)
        note = (
            "used for second checks"
            if share.has_enough_checks
            else f"not used yet: the procedure's {assumed:.0%} is kept until {MIN_CHECKED} checked bleeds have had their window "
            f"(now {share.checked}) and {MIN_FAULTS} faults are known (now {share.faults})"
        )
        figures = {"value": share.share, "lo": limits[0], "hi": limits[1], "note": note}
        rows.append({"measure": SHARE_FOUND, "number": share.faults_found, "total": share.faults} | figures)
    return validate_table(ActionResults, pl.DataFrame(rows, schema=empty(ActionResults).schema))
