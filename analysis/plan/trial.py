"""Trials of a changed procedure in the log: arms compared by the units that were randomised."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.plan.sample_size import bleeds_per_arm, continuity_corrected_size, precise_rate_bleeds
from analysis.stats import hypergeometric_mass, share_difference, student_quantile, student_tail
from schemas import empty, validate_table
from schemas.outputs import Trial

MIN_UNITS = 4
MAX_ENUMERATED, PERMUTATIONS, MAX_PERMUTED_UNITS = 20_000, 9_999, 1_000
"""Assignments up to which all are counted; how many are sampled otherwise; units above which Student's t is as good."""
UNIT_KEYS = {
    "bleed": pl.col("session_id"),
    "bike": pl.col("bike_id"),
    "week": pl.concat_str(pl.col("shop").fill_null(""), pl.col("started_at").dt.truncate("1w").cast(pl.String)),
    "technician": pl.col("technician"),
    "workshop": pl.col("shop").fill_null(""),
}
"""What identifies a unit of randomisation, the finest first; each workshop has its own weeks."""
COARSER = {"bleed": ("workshop", "technician", "week"), "bike": ("workshop", "technician"), "technician": ("workshop",)}
COARSER |= {"week": ("workshop", "technician"), "workshop": ()}
MIDDLE = (0.05, 0.95)
"""Quantiles of the days between which an arm ran: a few misdated bleeds do not hide a before/after comparison."""


@dataclass(frozen=True)
class RateDifference:
    """A difference of two rates with its 95% limits (NaN with too few units) and two-sided p-value."""

    difference: float
    lo: float
    hi: float
    p_value: float


def trials(data: BleedData, rng: np.random.Generator) -> DataFrame[Trial]:
    """Compare the arms of every trial in the log, one row per arm.

    Estimand: the arm's comeback rate within the window less the first arm's (in alphabetical order), among mature
    bleeds as randomised. `trial_unit` of the log declares what was randomised; nothing is tested without it. Where
    every workshop, technician or week has one arm only, that is the unit whatever is declared. Arms that follow each
    other in time are a before/after comparison, and a unit with several arms was not randomised: neither is tested.
    `rng` is for permutations where there are too many to count.
    """
    taking_part = data.bleeds.filter(pl.col("trial").is_not_null() & pl.col("trial_arm").is_not_null())
    if taking_part.is_empty():
        return empty(Trial)
    rows = [
        row
        for (name,), bleeds in taking_part.sort("trial", "session_id").group_by("trial", maintain_order=True)
        for row in _summarise_arms(str(name), bleeds, rng)
    ]
    return validate_table(Trial, pl.DataFrame(rows, schema=empty(Trial).schema).sort("trial", "arm"))


def compare_by_bleed(comebacks_1: int, n_1: int, comebacks_2: int, n_2: int) -> RateDifference:
    """Arm 2 less arm 1 when each bleed was randomised.

    Interval: R. G. Newcombe 1998, Stat. Med. 17:873-890, method 10 (Wilson limits squared and added). p-value: that of
    `permutation_p_value` with all assignments counted; the comebacks in the first arm are hypergeometric.
    """
    limits = share_difference((comebacks_2, n_2), (comebacks_1, n_1))
    difference = comebacks_2 / n_2 - comebacks_1 / n_1
    comebacks = comebacks_1 + comebacks_2
    first, probability = hypergeometric_mass(n_1, comebacks, n_1 + n_2)
    extreme = np.abs((comebacks - first) / n_2 - first / n_1) >= abs(difference) - 1e-12
    return RateDifference(difference, float(limits.lo), float(limits.hi), min(float(probability[extreme].sum()), 1.0))


def compare_by_unit(arm_1: pl.DataFrame, arm_2: pl.DataFrame, rng: np.random.Generator) -> RateDifference:
    """Arm 2 less arm 1 when whole units (workshops, technicians, weeks, bikes) were randomised.

    Limits: ratio estimates of the rates with between-unit variances, Student's t on units less two (W. G. Cochran 1977,
    Sampling Techniques, chapter 9); none with fewer than 4 units in an arm. p-value: `permutation_p_value`. The arms
    have one unit per row: comebacks, bleeds; `rng` is for permutations that are too many to count.
    """
    y_1, n_1, y_2, n_2 = (
        arm.get_column(c).to_numpy().astype(float) for arm in (arm_1, arm_2) for c in ("comebacks", "bleeds")
    )
    difference = float(y_2.sum() / n_2.sum() - y_1.sum() / n_1.sum())
    if min(len(y_1), len(y_2)) < MIN_UNITS:
        return RateDifference(difference, float("nan"), float("nan"), permutation_p_value((y_1, n_1), (y_2, n_2), rng))
    sd, degrees_of_freedom = (
        float(np.sqrt(_ratio_variance(y_1, n_1) + _ratio_variance(y_2, n_2))),
        len(y_1) + len(y_2) - 2,
    )
    half_width = student_quantile(0.975, degrees_of_freedom) * sd
    if len(y_1) + len(y_2) > MAX_PERMUTED_UNITS:
        p_value = 2 * float(student_tail(abs(difference) / sd, degrees_of_freedom)) if sd > 0 else 1.0
    else:
        p_value = permutation_p_value((y_1, n_1), (y_2, n_2), rng)
    return RateDifference(difference, difference - half_width, difference + half_width, p_value)


Counts = tuple[NDArray[np.float64], NDArray[np.float64]]


def permutation_p_value(arm_1: Counts, arm_2: Counts, rng: np.random.Generator) -> float:
    """Share of the assignments to arms whose rates differ by no less than the observed rates, two-sided.

    All assignments are counted where there are at most 20,000; otherwise 9,999 are sampled and the observed one is added.

    The arms have comebacks and bleeds of each unit.

    Source: R. A. Fisher 1935, The Design of Experiments, chapters 2 and 3; sampled assignments, B. Phipson & G. K. Smyth 2010,
    Stat. Appl. Genet. Mol. Biol. 9:39.
    """
    y, n = (np.concatenate(pair) for pair in zip(arm_1, arm_2, strict=True))
    size, units = len(arm_1[0]), len(y)
    ways = math.comb(units, size)
    enumerable = ways <= MAX_ENUMERATED
    samples = combinations(range(units), size) if enumerable else (rng.permutation(units) for _ in range(PERMUTATIONS))
    first = np.array([assignment[:size] for assignment in samples])
    y_first, n_first = y[first].sum(axis=1), n[first].sum(axis=1)
    differences = np.abs((y.sum() - y_first) / (n.sum() - n_first) - y_first / n_first)
    observed = abs(arm_2[0].sum() / arm_2[1].sum() - arm_1[0].sum() / arm_1[1].sum())
    extreme = int((differences >= observed - 1e-12).sum())
    return extreme / ways if enumerable else (extreme + 1) / (PERMUTATIONS + 1)


def _ratio_variance(y: NDArray[np.float64], n: NDArray[np.float64]) -> float:
    """Variance of the ratio estimate y / n between units."""
    k = len(y)
    return float(((y - y.sum() / n.sum() * n) ** 2).sum() * k / (k - 1) / n.sum() ** 2)


@dataclass(frozen=True)
class _TrialDesign:
    """How a trial was designed, and its unit of randomisation ("" where none is declared)."""

    design: str
    unit: str


def _find_trial_design(bleeds: pl.DataFrame) -> _TrialDesign:
    declared = bleeds.get_column("trial_unit").drop_nulls().unique().to_list()
    if _is_sequential(bleeds):
        return _TrialDesign("before_after", "")
    if len(declared) != 1:
        return _TrialDesign("undeclared", "")
    unit = next((coarse for coarse in COARSER[declared[0]] if _has_one_arm_per_unit(bleeds, coarse)), declared[0])
    return _TrialDesign("randomised" if unit == "bleed" or _has_one_arm_per_unit(bleeds, unit, 1) else "mixed", unit)


def _is_sequential(bleeds: pl.DataFrame) -> bool:
    """Whether the arms follow each other in time without overlap."""
    day = pl.col("started_at").dt.epoch("d")
    spans = bleeds.group_by("trial_arm").agg(first=day.quantile(MIDDLE[0]), last=day.quantile(MIDDLE[1])).sort("first")
    return spans.height > 1 and bool((spans["first"].slice(1) > spans["last"].head(spans.height - 1)).all())


def _has_one_arm_per_unit(bleeds: pl.DataFrame, unit: str, least: int = 2) -> bool:
    """Whether there are at least `least` units and each has one arm only."""
    arms = bleeds.group_by(UNIT_KEYS[unit].alias("unit")).agg(pl.col("trial_arm").n_unique())
    return arms.height >= least and arms.get_column("trial_arm").max() == 1


def _summarise_arms(name: str, bleeds: pl.DataFrame, rng: np.random.Generator) -> list[dict[str, object]]:
    trial_design = _find_trial_design(bleeds)
    mature = bleeds.filter("mature").with_columns(unit=UNIT_KEYS[trial_design.unit or "bleed"])
    arms = sorted(bleeds.get_column("trial_arm").unique().to_list())
    first = mature.filter(pl.col("trial_arm") == arms[0])
    rows = []
    for arm in arms:
        own = mature.filter(pl.col("trial_arm") == arm)
        row: dict[str, object] = {
            "trial": name,
            "arm": arm,
            "bleeds": bleeds.filter(pl.col("trial_arm") == arm).height,
            "comebacks": own.get_column("came_back").sum(),
            "rate": own.get_column("came_back").mean(),
            "design": trial_design.design,
            "unit": trial_design.unit or None,
            "units": own.n_unique("unit") if trial_design.unit else None,
        }
        if arm != arms[0] and trial_design.design == "randomised" and not own.is_empty() and not first.is_empty():
            contrast = _compare_arms(first, own, trial_design.unit, rng)
            row |= {"difference": contrast.difference, "p_value": contrast.p_value}
            row |= {} if np.isnan(contrast.lo) else {"lo": max(contrast.lo, -1), "hi": min(contrast.hi, 1)}
        rows.append(row)
    return rows


def _compare_arms(first: pl.DataFrame, own: pl.DataFrame, unit: str, rng: np.random.Generator) -> RateDifference:
    if unit == "bleed":
        came_back = [int(arm.get_column("came_back").sum()) for arm in (first, own)]
        return compare_by_bleed(came_back[0], first.height, came_back[1], own.height)
    comebacks = pl.col("came_back").sum().alias("comebacks")
    arms = [arm.group_by("unit").agg(comebacks, pl.len().alias("bleeds")).sort("unit") for arm in (first, own)]
    return compare_by_unit(arms[0], arms[1], rng)


def bleeds_needed_notes(data: BleedData) -> tuple[str, ...]:
    """Bleeds needed, at the workshop's own rate, to estimate the rate closely and to test a changed procedure."""
    followed = data.bleeds.select("mature", "came_back").filter("mature").get_column("came_back")
    if followed.is_empty() or not 0 < (rate := float(followed.mean())) < 1:  # type: ignore[arg-type]
        return ()
    close = precise_rate_bleeds(rate, rate / 4)
    arm = continuity_corrected_size(bleeds_per_arm(rate, rate / 2), rate, rate / 2)
    return (
        f"To estimate a rate of {rate:.1%} to within a quarter of its value takes {close:,} followed bleeds "
        f"(this log has {followed.len():,}).",
        f"To test a procedure that halves it (80% power): {math.ceil(arm):,} bleeds per arm.",
    )
