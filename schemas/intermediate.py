"""Tables that one package of the analysis hands to another."""

from __future__ import annotations

import pandera.polars as pa

from schemas.field import schema_field
from schemas.log import Moment

ENDS = ("re_bled", "return", "next_bleed", "as_of")
CELL_STEPS = 10
"""Steps whose misses each cell counts."""


class IntermediateTable(pa.DataFrameModel):
    """Base of these tables; other columns may be present."""

    class Config:
        strict = False
        metadata = None


class Links(IntermediateTable):
    """One accepted return and the bleed it belongs to, if there is one."""

    comeback_id: str = schema_field("return", required=True, unique=True)
    session_id: str = schema_field("bleed it belongs to; empty for an unmatched return")
    days: int = schema_field("calendar days from bleed to return", unit="d", low=0)


class Returns(IntermediateTable):
    """One comeback of one bleed: a matched return that counts, or a later bleed whose job_reason is a comeback."""

    session_id: str = schema_field("bleed that came back", required=True)
    days: int = schema_field("calendar days from bleed to return", unit="d", low=0, required=True)
    comeback_id: str = schema_field("the return; empty if known from a job_reason only")
    repair_session_id: str = schema_field("later bleed whose job_reason is a comeback; empty if a return was recorded")


class Followed(IntermediateTable):
    """Follow-up of each accepted bleed, sorted by session_id."""

    session_id: str = schema_field("bleed", required=True, unique=True)
    started_at: Moment = schema_field("start of the bleed", required=True)
    month: str = schema_field("month of the bleed, YYYY-MM", required=True)
    age_days: int = schema_field("days from the bleed to the last day of the log", unit="d", low=0, required=True)
    observed_days: int = schema_field("days on which a return would have been recorded", unit="d", low=0, required=True)
    mature: bool = schema_field("observed_days >= window_days", required=True)
    return_days: int = schema_field("days to the first comeback at any age; empty if none", unit="d", low=0)
    next_bleed_days: int = schema_field(
        "days to the next bleed of the brake that does not repair a comeback of this one; empty if none",
        unit="d",
        low=0,
    )
    days_at_risk: int = schema_field(
        "days to the first of re-bleed after a recall or check, comeback, next bleed, and last day on which returns were "
        "recorded",
        unit="d",
        low=0,
        required=True,
    )
    end: str = schema_field("event that ended the time at risk", levels=ENDS, required=True)
    came_back: bool = schema_field("came back within the window", required=True)


class Workload(IntermediateTable):
    """Workload of the technician on the day of the bleed, up to and including it."""

    session_id: str = schema_field("bleed", required=True, unique=True)
    bleeds_that_day: int = schema_field("bleeds of that technician on that day", low=1, required=True)
    place_in_day: int = schema_field("number of this bleed among them", low=1, required=True)


class Incidence(IntermediateTable):
    """Cumulative incidence of comebacks, one row per day."""

    day: int = schema_field("days since the bleed", unit="d", low=0, required=True)
    at_risk: int = schema_field("bleeds at risk", low=0, required=True)
    incidence: float = schema_field("share that came back by that day", low=0, high=1, required=True)
    lo: float = schema_field("95% interval", low=0, high=1)
    hi: float = schema_field("95% interval", low=0, high=1)
    naive: float = schema_field("1 − Kaplan–Meier with later bleeds as censored, for comparison", low=0, high=1)


class MissedSteps(IntermediateTable):
    """Which steps each accepted bleed missed, sorted by session_id.

    One more Boolean column for each step, named by its ID: true if missed, false if met, empty if not recorded.
    """

    session_id: str = schema_field("bleed", required=True, unique=True)


class Deviations(IntermediateTable):
    """How far a measured reading is outside the limits, one row per missed step of a bleed."""

    session_id: str = schema_field("bleed", required=True)
    step: str = schema_field("ID of the step", required=True)
    observed: float = schema_field("the reading", required=True)
    outside: float = schema_field("distance from the limit, in the unit of the field; negative below it", required=True)


class BoardCells(IntermediateTable):
    """Counts of one month (or quarter) of one kind of work: what a board adds up for any selection."""

    month: str = schema_field("YYYY-MM, or YYYY-Qn where months would be too many", required=True)
    shop: str = schema_field("workshop", required=True)
    technician: str = schema_field("technician", required=True)
    brake_model: str = schema_field("brake model", required=True)
    brake: str = schema_field("front or rear", required=True)
    hose_route: str = schema_field("hose routing", required=True)
    bleeds: int = schema_field("bleeds", low=1, required=True)
    followed: int = schema_field("bleeds followed for the whole window", low=0, required=True)
    comebacks: int = schema_field("of the followed, those that came back within the window", low=0, required=True)
    followed_14: int = schema_field("bleeds at least 14 days old", low=0, required=True)
    comebacks_14: int = schema_field("of those, came back within 14 days", low=0, required=True)
    followed_30: int = schema_field("bleeds at least 30 days old", low=0, required=True)
    comebacks_30: int = schema_field("of those, came back within 30 days", low=0, required=True)
    missed_1: int = schema_field("misses of the costliest step", low=0, required=True)
    missed_2: int = schema_field("of the second", low=0, required=True)
    missed_3: int = schema_field("of the third", low=0, required=True)
    missed_4: int = schema_field("of the fourth", low=0, required=True)
    missed_5: int = schema_field("of the fifth", low=0, required=True)
    missed_6: int = schema_field("of the sixth", low=0, required=True)
    missed_7: int = schema_field("of the seventh", low=0, required=True)
    missed_8: int = schema_field("of the eighth", low=0, required=True)
    missed_9: int = schema_field("of the ninth", low=0, required=True)
    missed_10: int = schema_field("of the tenth", low=0, required=True)
    recorded_1: int = schema_field("bleeds where the costliest step is recorded", low=0, required=True)
    recorded_2: int = schema_field("where the second is", low=0, required=True)
    recorded_3: int = schema_field("where the third is", low=0, required=True)
    recorded_4: int = schema_field("where the fourth is", low=0, required=True)
    recorded_5: int = schema_field("where the fifth is", low=0, required=True)
    recorded_6: int = schema_field("where the sixth is", low=0, required=True)
    recorded_7: int = schema_field("where the seventh is", low=0, required=True)
    recorded_8: int = schema_field("where the eighth is", low=0, required=True)
    recorded_9: int = schema_field("where the ninth is", low=0, required=True)
    recorded_10: int = schema_field("where the tenth is", low=0, required=True)


__all__ = [
    "CELL_STEPS",
    "ENDS",
    "BoardCells",
    "Deviations",
    "Followed",
    "Incidence",
    "IntermediateTable",
    "Links",
    "MissedSteps",
    "Returns",
    "Workload",
]  # fmt: skip
