"""An earlier audit as its folder has it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import polars as pl

from analysis.dataset import BleedData, bleed_data
from analysis.errors import UserError
from analysis.intake import Log
from analysis.report import Report
from analysis.survival import ObservationWindow
from schemas import empty, validate_table
from schemas.intermediate import Links

if TYPE_CHECKING:
    from analysis.risk import SavedModel  # which imports scikit-learn


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
