"""The Report: every result of an audit in one frozen bundle, ready to be drawn, described and written."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.standard import Standard
from analysis.survival import Weibull
from schemas import outputs
from schemas.intermediate import Incidence


@dataclass(frozen=True)
class Stage:
    """How long one stage of the audit took."""

    name: str
    seconds: float


@dataclass
class Clock:
    """Seconds of each stage, added up where a stage has several parts; `progress` is called as each begins."""

    progress: Callable[[str], None] = lambda _: None
    stages: list[Stage] = field(default_factory=list)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Measure the block."""
        self.progress(name)
        start = time.perf_counter()
        yield
        before = sum(stage.seconds for stage in self.stages if stage.name == name)
        self.stages = [stage for stage in self.stages if stage.name != name]
        self.stages.append(Stage(name, before + time.perf_counter() - start))


@dataclass(frozen=True, kw_only=True)
class FollowUpResults:
    """The prepared bleeds, what became of them, and how many there are; `small_sample` comebacks allow no estimate."""

    data: BleedData
    comebacks: int
    small_sample: bool
    bleeds_per_year: float
    incidence: DataFrame[Incidence]
    weibull: Weibull | None


@dataclass(frozen=True, kw_only=True)
class RateResults:
    """Groups and months against what the same work would give, and whether the log can be believed."""

    rates: DataFrame[outputs.Rates]
    months: DataFrame[outputs.Months]
    credibility: DataFrame[outputs.Credibility]


@dataclass(frozen=True, kw_only=True)
class StepResults:
    """What missed steps cost; `combined_estimate` names the estimate that ranks them."""

    steps: DataFrame[outputs.Steps]
    interactions: DataFrame[outputs.Interactions]
    tolerance: DataFrame[outputs.Tolerance]
    what_if: DataFrame[outputs.WhatIf]
    combined_estimate: str = ""


@dataclass(frozen=True, kw_only=True)
class PeopleResults:
    """Misses person by person, and what coaching changed."""

    technique: DataFrame[outputs.Technique]
    coaching: DataFrame[outputs.CoachingEffect]


@dataclass(frozen=True, kw_only=True)
class RiskResults:
    """Each bleed's risk, how good the risks are, and the model's file (None with too few comebacks)."""

    risk: DataFrame[outputs.Risk]
    second_checks: DataFrame[outputs.SecondChecks]
    model: DataFrame[outputs.ModelQuality]
    model_bytes: bytes | None = field(repr=False, default=None)


@dataclass(frozen=True, kw_only=True)
class PlanResults:
    """Bleeds to call back, costs, and trials; `needed` says in sentences how many more bleeds would give an answer."""

    holds: DataFrame[outputs.Holds]
    costs: DataFrame[outputs.Costs]
    trial: DataFrame[outputs.Trial]
    needed: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Report(FollowUpResults, RateResults, StepResults, PeopleResults, RiskResults, PlanResults):
    """All results of an audit.

    The tables are named as the files they are written to. `notes` are sentences a reader must see beside the figures
    (returns that stop early, hazards that are not proportional).
    """

    log: Log
    standard: Standard
    as_of: dt.date
    window_days: int
    seed: int
    intake: DataFrame[outputs.Intake]
    set_aside: DataFrame[outputs.SetAside]
    proof: DataFrame[outputs.Prove] | None = None
    notes: tuple[str, ...] = ()
    stages: tuple[Stage, ...] = ()
    names_hidden: bool = False
