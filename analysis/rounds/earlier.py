"""An earlier audit as its folder has it, what became of its recalls and checks, and the level of each look.

The levels are such that a year of monthly audits together errs 1 time in 20.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from functools import cache
from statistics import NormalDist
from typing import TYPE_CHECKING

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData, bleed_data
from analysis.errors import UserError
from analysis.intake import DONE, Log
from analysis.report import Report
from analysis.stats import evenly_spent_alpha, exact_binomial_limits, spending_bounds
from analysis.survival import ObservationWindow
from schemas import empty, validate_table
from schemas.intermediate import Links
from schemas.log import ACTION_KINDS, ACTION_OUTCOMES
from schemas.outputs import SHARE_FOUND, SHARE_USED, ActionResults

if TYPE_CHECKING:
    from analysis.risk import SavedModel  # which imports scikit-learn
ALPHA, LOOKS_PER_SERIES = 0.05, 12
"""Error over a series of looks, and looks in a series; the next series begins after it."""
FOUND_OUTCOMES = ("re_bled", "fault_found")
"""Outcomes of a second check that found a fault."""
MIN_CHECKED, MIN_FAULTS = 20, 5
"""Checked bleeds with a complete window, and faults known among them, from which the estimate replaces the assumption."""


@dataclass(frozen=True)
class EarlierAudit:
    """The log, tables and model of an earlier audit.

    `look` counts the audits before it in the series, `tables` has the tables that are compared, by name. The log has
    no links: `linked_log` makes them.
    """

    folder: str
    log: Log
    window_days: int
    names_hidden: bool
    look: int
    tables: dict[str, pl.DataFrame]
    model: SavedModel | None = field(default=None, repr=False)
    notes: tuple[str, ...] = ()

    @property
    def as_of(self) -> dt.date:
        return self.log.as_of

    def require_comparable(self, as_of: dt.date, names_hidden: bool) -> None:
        """Check that an audit up to this day, with names or codes, can be compared with this earlier one.

        Raises
        ------
        UserError
            This one is of a later day, or its names are hidden and there they are not, or the other way round.
        """
        if self.as_of > as_of:
            raise UserError(
                f"--since {self.folder}",
                f"that audit is up to {self.as_of}, later than this one ({as_of})",
                "an earlier audit of the same workshop",
                "give the folder of an earlier audit",
            )
        if self.names_hidden != names_hidden:
            raise UserError(
                f"--since {self.folder}",
                "has codes for names" if self.names_hidden else "has names, and this run hides them",
                "two audits with --hide-names, or two without",
                "add --hide-names" if self.names_hidden else "repeat the earlier audit with --hide-names",
            )

    def notes_for(self, window_days: int) -> tuple[str, ...]:
        """Sentences that readers of an audit with this window must see."""
        if self.window_days == window_days:
            return self.notes
        return (
            *self.notes,
            f"The earlier audit's window was {self.window_days} days. Its signals and verdicts are compared as they were; "
            f"its bleeds are followed for {window_days} days.",
        )

    def linked_log(self, report: Report) -> Log:
        """The earlier log with its returns matched to their bleeds.

        A return that both logs have belongs to the bleed it is matched to now, so that only records make a difference.
        """
        returns = self.log.comebacks.select("comeback_id", "session_id", day_back=pl.col("returned_at").dt.date())
        bleeds = self.log.sessions.select("session_id", bled=pl.col("started_at").dt.date())
        now = report.log.links.select("comeback_id", "session_id")
        own = returns.join(now, on="comeback_id", how="anti").select("comeback_id", "session_id")
        links = pl.concat([now, own]).join(bleeds, on="session_id", how="inner")
        days = (pl.col("day_back") - pl.col("bled")).dt.total_days()
        table = returns.drop("session_id").join(links, on="comeback_id", how="left").with_columns(days=days)
        before_bleed = (pl.col("days") < 0).fill_null(False)
        table = table.with_columns(pl.when(~before_bleed).then(name).alias(name) for name in ("session_id", "days"))
        links = validate_table(Links, table.select(list(empty(Links).schema)).sort("comeback_id"))
        return replace(self.log, links=links)

    def follow_up(self, report: Report, covered: ObservationWindow) -> BleedData:
        """The earlier bleeds followed to the earlier day, by the rules of this audit and its days of recorded returns."""
        return bleed_data(self.linked_log(report), report.standard, report.window_days, covered)


@cache
def look_level(look: int) -> float:
    """Two-sided level of a look, counted from 1; alpha spending of the Pocock type (Lan & DeMets 1983).

    The first audit of a series, look 0, compares with nothing and tests at 5%.
    """
    if look == 0:
        return ALPHA
    number = (look - 1) % LOOKS_PER_SERIES + 1
    fractions = [place / LOOKS_PER_SERIES for place in range(1, number + 1)]
    bound = float(spending_bounds(fractions, ALPHA, spent=evenly_spent_alpha)[-1])
    return 2 * (1 - NormalDist().cdf(bound))


@dataclass(frozen=True)
class SignificanceLevels:
    """The level of the earlier audit and of this one."""

    before: float
    now: float

    @classmethod
    def at(cls, look: int) -> SignificanceLevels:
        return cls(look_level(look - 1), look_level(look))

    def is_new(self, p_before: float | None, p_now: float | None) -> bool:
        """Whether something that both audits report was not confirmed before and is now."""
        return p_before is not None and p_now is not None and p_before > self.before and p_now <= self.now


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
            SHARE_USED
            if share.has_enough_checks
            else f"not used yet: the procedure's {assumed:.0%} is kept until {MIN_CHECKED} checked bleeds have completed their window "
            f"(now {share.checked}) and {MIN_FAULTS} faults are known (now {share.faults})"
        )
        figures = {"value": share.share, "lo": limits[0], "hi": limits[1], "note": note}
        rows.append({"measure": SHARE_FOUND, "number": share.faults_found, "total": share.faults} | figures)
    return validate_table(ActionResults, pl.DataFrame(rows, schema=empty(ActionResults).schema))
