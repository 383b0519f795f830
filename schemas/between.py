"""Tables that pass from one room of the analysis to the next."""

from __future__ import annotations

import pandera.polars as pa

from schemas.declare import declare
from schemas.log import Moment

ENDS = ("return", "next_bleed", "as_of")


class BetweenTable(pa.DataFrameModel):
    class Config:
        strict = False
        metadata = None


class Links(BetweenTable):
    """One accepted return and the bleed it answers to, if one was found."""

    comeback_id: str = declare("return", required=True, unique=True)
    session_id: str = declare("the bleed it answers to; empty where none was found")
    days: int = declare("calendar days from bleed to return", unit="d", low=0)


class Returns(BetweenTable):
    """One re-bleed return of one bleed: a linked comeback that counts, or a bleed whose job_reason tells of one."""

    session_id: str = declare("the bleed that came back", required=True)
    days: int = declare("calendar days from bleed to return", unit="d", low=0, required=True)
    comeback_id: str = declare("the return; empty where job_reason told it")
    repair_session_id: str = declare("the later bleed whose job_reason told it; empty where a return was written")


class Followed(BetweenTable):
    """Follow-up of each accepted bleed, sorted by session_id."""

    session_id: str = declare("bleed", required=True, unique=True)
    started_at: Moment = declare("when it began", required=True)
    month: str = declare("YYYY-MM of started_at", required=True)
    age_days: int = declare("as_of minus the day it began", unit="d", low=0, required=True)
    observed_days: int = declare(
        "days on which a return of it would have been recorded", unit="d", low=0, required=True
    )
    mature: bool = declare("observed_days >= window_days", required=True)
    return_days: int = declare("days to the first re-bleed return at any age; empty where none", unit="d", low=0)
    next_bleed_days: int = declare(
        "days to the brake's next bleed that is not the repair of a return of this one; empty where none",
        unit="d",
        low=0,
    )
    days_at_risk: int = declare(
        "days until the first of return, next bleed, last day on which returns were recorded",
        unit="d",
        low=0,
        required=True,
    )
    end: str = declare("what ended the time at risk", levels=ENDS, required=True)
    came_back: bool = declare("a re-bleed return within the window", required=True)


class Workload(BetweenTable):
    """How busy the day was, known when the bleed began."""

    session_id: str = declare("bleed", required=True, unique=True)
    bleeds_that_day: int = declare("bleeds of that technician on that day", low=1, required=True)
    place_in_day: int = declare("this bleed's place among them", low=1, required=True)


class Incidence(BetweenTable):
    """Cumulative incidence of re-bleed returns, one day a row."""

    day: int = declare("days since the bleed", unit="d", low=0, required=True)
    at_risk: int = declare("bleeds still followed", low=0, required=True)
    incidence: float = declare("share come back by that day", low=0, high=1, required=True)
    lo: float = declare("95%", low=0, high=1)
    hi: float = declare("95%", low=0, high=1)
    naive: float = declare("1 − Kaplan–Meier with later bleeds as censored, for comparison", low=0, high=1)


class MissedSteps(BetweenTable):
    """Each accepted bleed against the standard: beside session_id one Boolean column a step, named by its id:
    true missed, false met, empty not recorded. Sorted by session_id."""

    session_id: str = declare("bleed", required=True, unique=True)


class HowFar(BetweenTable):
    """How far a measured step lies outside the standard, one missed step of one bleed a row."""

    session_id: str = declare("bleed", required=True)
    step: str = declare("step id", required=True)
    found: float = declare("the reading", required=True)
    outside: float = declare("how far outside, in the field's unit; below the limit is negative", required=True)


__all__ = [
    "ENDS", "BetweenTable", "Followed", "HowFar", "Incidence", "Links", "MissedSteps", "Returns", "Workload",
]  # fmt: skip
