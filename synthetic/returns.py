"""The recorded returns: comebacks, and brakes that came for other reasons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic.course import SimulatedBleeds
from synthetic.fleet import IntArray, day_number
from synthetic.jobs import MINUTES_A_DAY, OPENS
from synthetic.workshop import Workshop

SOFT = (("soft_lever", 0.62), ("long_travel", 0.26), ("weak_braking", 0.08), ("other", 0.04))
OTHERS = (
    ("noise", "pads"), ("drag", "none_found"), ("weak_braking", "pads"), ("soft_lever", "worn_part"),
    ("drag", "worn_part"), ("other", "none_found"),
)  # fmt: skip
AIR_FINDINGS = (("air", 0.86), ("none_found", 0.08), ("old_fluid", 0.06))
COUNTED_BY_COMPLAINT = 2


@dataclass(frozen=True)
class SampledReturns:
    """Returns: row of the bleed, minute, and whether it is a comeback."""

    row: IntArray
    start: IntArray
    rebleed: NDArray[np.bool_]


def sample_returns(workshop: Workshop, course: SimulatedBleeds, rng: np.random.Generator) -> pl.DataFrame:
    """Returns without IDs: row (of the bleed), start, complaint, finding, minutes, parts_cost, written_session,
    written_brake."""
    soft = np.flatnonzero((course.return_day >= 0) & ~course.reported_by_session)
    other = _sample_other_returns(workshop, course, rng)
    row = np.concatenate([soft, other.row])
    start = np.concatenate([course.return_start[soft], other.start])
    n, rebleed = len(row), np.arange(len(row)) < len(soft)
    complaint, finding = _sample_complaints_and_findings(course.cause[row], rebleed, rng)
    return pl.DataFrame(
        {
            "row": row,
            "start": start,
            "complaint": complaint,
            "finding": finding,
            "minutes": np.round(np.where(rebleed, 42, 22) * np.exp(0.3 * rng.standard_normal(n))),
            "parts_cost": np.round(np.where(rebleed, 5.0, 9.0) * np.exp(0.5 * rng.standard_normal(n)), 2),
            "written_session": rng.random(n) >= workshop.return_without_session,
            "written_brake": rng.random(n) >= workshop.return_without_brake,
        }
    )


def _sample_other_returns(workshop: Workshop, course: SimulatedBleeds, rng: np.random.Generator) -> SampledReturns:
    """Returns for pads, noise and worn parts, before the next bleed, of brakes without a comeback."""
    days_left = np.minimum(course.jobs.gap_days - 1, day_number(workshop.as_of) - course.jobs.day)
    hard_use = np.exp(workshop.unseen_hazard * course.jobs.unseen - workshop.unseen_hazard**2 / 2)
    chance = workshop.other_returns * hard_use * (course.return_day < 0) * (days_left >= 1)
    row = np.flatnonzero(rng.random(course.jobs.count) < chance)
    after = 1 + np.floor(rng.random(len(row)) * np.minimum(days_left[row], 240)).astype(np.int64)
    start = (course.jobs.day[row] + after) * MINUTES_A_DAY + OPENS + rng.integers(0, 400, len(row))
    return SampledReturns(row, start, np.zeros(len(row), bool))


def _sample_complaints_and_findings(
    cause: NDArray[np.str_], rebleed: NDArray[np.bool_], rng: np.random.Generator
) -> tuple[NDArray[np.str_], NDArray[np.str_]]:
    """Complaint and finding; for comebacks at least one counts by the built-in rule, for other returns none."""
    n = len(cause)
    complaint_index = rng.choice(len(SOFT), n, p=[share for _, share in SOFT])
    finding_index = rng.choice(len(AIR_FINDINGS), n, p=[share for _, share in AIR_FINDINGS])
    finding_index = np.where(complaint_index >= COUNTED_BY_COMPLAINT, 0, finding_index)
    leaks = cause != "air"
    complaint_index = np.where(leaks & (complaint_index >= COUNTED_BY_COMPLAINT), 0, complaint_index)
    complaint = np.array([word for word, _ in SOFT])[complaint_index]
    finding = np.where(leaks, "leak", np.array([word for word, _ in AIR_FINDINGS])[finding_index])
    kind = rng.integers(0, len(OTHERS), n)
    complaint = np.where(rebleed, complaint, np.array([complaint_text for complaint_text, _ in OTHERS])[kind])
    finding = np.where(rebleed, finding, np.array([finding_text for _, finding_text in OTHERS])[kind])
    return complaint, finding
