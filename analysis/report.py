"""The Report: every result of an audit in one frozen bundle, ready to be drawn, told and written."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from pandera.typing.polars import DataFrame

from analysis.followup import Weibull
from analysis.intake import Log
from analysis.prepared import Prepared
from analysis.standard import Standard
from schemas import outputs
from schemas.between import Incidence


@dataclass(frozen=True)
class Stage:
    """How long one stage of the audit took."""

    name: str
    seconds: float


@dataclass(frozen=True)
class Report:
    """Everything an audit found.

    The tables are named as the files they are written to. `notes` are sentences a reader must see beside the figures
    (returns that stop early, hazards that are not proportional); `headline` names the layer the step ranking shows;
    `needed` says in sentences how many more bleeds would tell what cannot be told yet; `ready` is what it all stands on;
    `risk_text` is the table of risks as it will be written, where whoever told them wrote it out.
    """

    log: Log
    standard: Standard
    as_of: dt.date
    window_days: int
    seed: int
    intake: DataFrame[outputs.Intake]
    set_aside: DataFrame[outputs.SetAside]
    rates: DataFrame[outputs.Rates]
    months: DataFrame[outputs.Months]
    steps: DataFrame[outputs.Steps]
    tolerance: DataFrame[outputs.Tolerance]
    interactions: DataFrame[outputs.Interactions]
    what_if: DataFrame[outputs.WhatIf]
    technique: DataFrame[outputs.Technique]
    coaching: DataFrame[outputs.CoachingEffect]
    risk: DataFrame[outputs.Risk]
    second_checks: DataFrame[outputs.SecondChecks]
    model: DataFrame[outputs.ModelQuality]
    holds: DataFrame[outputs.Holds]
    credibility: DataFrame[outputs.Credibility]
    costs: DataFrame[outputs.Costs]
    trial: DataFrame[outputs.Trial]
    incidence: DataFrame[Incidence]
    weibull: Weibull | None
    comebacks: int
    too_few: bool
    bleeds_per_year: float
    ready: Prepared
    headline: str = ""
    needed: tuple[str, ...] = ()
    proof: DataFrame[outputs.Prove] | None = None
    notes: tuple[str, ...] = ()
    stages: tuple[Stage, ...] = field(default=())
    model_bytes: bytes | None = None
    risk_text: tuple[bytes, ...] = field(default=(), repr=False)
    names_hidden: bool = False
