"""The Report: all results of an audit."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.lots import LotResults
from analysis.people import LearnerResults
from analysis.rates import YearOnYear, year_on_year
from analysis.standard import Standard
from analysis.survival import Weibull
from schemas import empty, outputs
from schemas.intermediate import Incidence


@dataclass(frozen=True)
class StageDuration:
    """Duration of one stage of an audit."""

    name: str
    seconds: float


@dataclass
class Clock:
    """Seconds per stage, summed if a stage has several parts; `progress` is called as each part begins."""

    progress: Callable[[str], None] = lambda _: None
    stages: list[StageDuration] = field(default_factory=list)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time the block as a part of this stage."""
        self.progress(name)
        start = time.perf_counter()
        yield
        before = sum(stage.seconds for stage in self.stages if stage.name == name)
        self.stages = [stage for stage in self.stages if stage.name != name]
        self.stages.append(StageDuration(name, before + time.perf_counter() - start))


@dataclass(frozen=True, kw_only=True)
class FollowUpResults:
    """Bleeds with their follow-up; `small_sample` is true if there are too few comebacks for estimates.

    `late_brake_model_notes` has a sentence for each brake model that comes back late, as worn parts do.
    """

    data: BleedData
    comebacks: int
    small_sample: bool
    bleeds_per_year: float
    incidence: DataFrame[Incidence]
    weibull: Weibull | None
    action_results: DataFrame[outputs.ActionResults]
    late_brake_model_notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class RateResults:
    """Comparisons of groups and months, and tests for unusual recording patterns."""

    rates: DataFrame[outputs.Rates]
    months: DataFrame[outputs.Months]
    early_signs: DataFrame[outputs.EarlySigns]
    credibility: DataFrame[outputs.Credibility]


@dataclass(frozen=True, kw_only=True)
class StepResults:
    """What missed steps cost; `combined_estimate` names the estimate used for ranking."""

    steps: DataFrame[outputs.Steps]
    interactions: DataFrame[outputs.Interactions]
    tolerance: DataFrame[outputs.Tolerance]
    what_if: DataFrame[outputs.WhatIf]
    combined_estimate: str = ""


@dataclass(frozen=True, kw_only=True)
class PeopleResults:
    """Misses by technician, and the effects of coaching."""

    technique: DataFrame[outputs.Technique]
    coaching: DataFrame[outputs.CoachingEffect]
    measure_effects: DataFrame[outputs.MeasureEffects]


@dataclass(frozen=True, kw_only=True)
class RiskResults:
    """Risk of each bleed, quality of the risk model and of other classifiers, and the saved model (None with too few
    comebacks).
    """

    risk: DataFrame[outputs.Risk]
    second_checks: DataFrame[outputs.SecondChecks]
    model: DataFrame[outputs.ModelQuality]
    comparison: DataFrame[outputs.Comparison]
    model_bytes: bytes | None = field(repr=False, default=None)


@dataclass(frozen=True, kw_only=True)
class RecallAndCostResults:
    """Recalls, costs and trials; `needed` has sentences on how many more bleeds would give an answer."""

    holds: DataFrame[outputs.Holds]
    costs: DataFrame[outputs.Costs]
    trial: DataFrame[outputs.Trial]
    needed: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, repr=False)
class Report(
    FollowUpResults,
    RateResults,
    StepResults,
    LotResults,
    PeopleResults,
    LearnerResults,
    RiskResults,
    RecallAndCostResults,
):
    """All results of an audit.

    Each table has the name of its file. `notes` are sentences that readers must see with the figures (for example, that
    returns stop early or hazards are not proportional). `look` counts the earlier audits in the series; with none it is 0,
    and `changes` and `predictions` are empty. `earlier_folder` is the folder of the earlier audit.
    """

    log: Log
    standard: Standard
    as_of: dt.date
    window_days: int
    seed: int
    intake: DataFrame[outputs.Intake]
    set_aside: DataFrame[outputs.SetAside]
    proof: DataFrame[outputs.Prove] | None = None
    look: int = 0
    changes: DataFrame[outputs.Changes] = field(default_factory=lambda: empty(outputs.Changes))
    predictions: DataFrame[outputs.Predictions] = field(default_factory=lambda: empty(outputs.Predictions))
    notes: tuple[str, ...] = ()
    stages: tuple[StageDuration, ...] = ()
    names_hidden: bool = False
    earlier_folder: str | None = None

    @property
    def currency(self) -> str:
        """Of the log's money headings, else of the standard; empty if neither names one."""
        return self.log.currency or self.standard.currency

    @property
    def comeback_minutes(self) -> float:
        """Bench minutes of one comeback in this log; the procedure's if it has none."""
        for row in self.costs.head(1).iter_rows(named=True):
            if row["comebacks_per_year"]:
                return float(row["minutes_per_year"] / row["comebacks_per_year"])
        return self.standard.comeback.minutes

    @property
    def has_returns(self) -> bool:
        """Whether any return was read, in a table or as the reason for a later job; if not, a rate of zero means nothing."""
        return self.log.has_comebacks_table or self.comebacks > 0

    @property
    def years(self) -> YearOnYear | None:
        """The last year with complete follow-up against the year before; None if the log does not cover both."""
        return year_on_year(self.data)

    @property
    def break_even_risk(self) -> float:
        """The risk at which a second check costs as much bench time as it saves."""
        return self.standard.second_check.break_even_risk(self.comeback_minutes)

    def __repr__(self) -> str:
        followed = self.data.bleeds.filter("mature")
        rates = f"{followed['came_back'].sum():,} of {followed.height:,} followed in full came back within {self.window_days} days"
        return (
            f"Report on {self.data.bleeds.height:,} bleeds up to {self.as_of}: {rates}, procedure: {self.standard.name}"
        )

    def _repr_html_(self) -> str:
        from analysis import report_html  # the packages that show a report import it, not the other way round

        return report_html(self)

    def write(self, out: str | Path, *, parquet: bool = False) -> Path:
        """Write the folder of pages and tables; see `analysis.write_report`."""
        from analysis import write_report

        return write_report(self, out, parquet=parquet)
