"""Steps recorded only when met: blanks where the misses should be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.people.entries import MIN_ENTRIES, EntryFinding, example_bleeds
from analysis.stats import FloatArray, between_variance, student_tail

MIN_STEPS = 5
MIN_PEOPLE = 4
SIGNIFICANT = 0.05
MIN_SPREAD = 0.02
"""Least relative variance from step to step: keeps a workshop of identical technicians from a division by zero."""


@dataclass(frozen=True)
class _EntryCounts:
    """Bleeds of each technician, and by technician and step the misses and the entries."""

    technicians: list[str]
    bleeds: FloatArray
    missed: FloatArray
    recorded: FloatArray


@dataclass(frozen=True)
class _TechnicianEntries:
    """One technician and the peers, by step; `expected_misses` are the misses peers would have in the same entries."""

    bleeds: float
    missed: FloatArray
    recorded: FloatArray
    expected_misses: FloatArray
    peers_missed: FloatArray
    peers_blank: FloatArray

    @property
    def log_ratio(self) -> float:
        """Logarithm of misses recorded over misses expected."""
        return float(np.log((self.missed.sum() + 0.5) / (self.expected_misses.sum() + 0.5)))


@dataclass(frozen=True)
class _BlanksLine:
    """The line of blanks on misses: its slope, and the p-value of a slope above 0."""

    slope: float
    p_value: float


def selective_findings(bleeds: pl.DataFrame, missed: pl.DataFrame) -> list[EntryFinding]:
    """Test whether a technician leaves steps blank where others record a miss.

    If recording a step does not depend on whether it was met, two things hold independently. The share left blank does
    not rise over the steps with the share missed (a straight line over the steps, Student's t with the line's own
    residuals, which allow for steps left blank for other reasons). And as many misses are recorded as by peers who do
    the same (the logarithm of recorded over expected misses, Student's t with the spread between the others, which
    allows for careful technicians). Both p-values must be at most 0.05; they are then combined (R. A. Fisher 1932,
    Statistical Methods for Research Workers, section 21.1).

    The share a technician misses of each step is the peers' share, moved towards the technician's own profile as far as
    technicians here differ from step to step (a gamma-Poisson mean). `statistic` is the share of misses left blank,
    beyond peers.

    Parameters
    ----------
    bleeds
        All accepted bleeds.
    missed
        Their steps, in the same order (see `schemas.intermediate.MissedSteps`).
    """
    steps = [step for step in missed.columns[1:] if missed.get_column(step).count() > 0]
    if len(steps) < MIN_STEPS:
        return []
    counts = _count_entries(bleeds, missed.select(steps))
    if len(counts.technicians) < MIN_PEOPLE:
        return []
    people = _compare_with_others(counts)
    shape = _gamma_shape(counts)
    log_ratios = np.array([person.log_ratio for person in people])
    variances = np.array([1 / (person.missed.sum() + 0.5) for person in people])
    findings = []
    for i in np.flatnonzero(counts.bleeds >= MIN_ENTRIES):
        line = _regress_blanks_on_misses(people[i], shape)
        p_value = _fisher_combination(line.p_value, _fewer_misses_p_value(log_ratios, variances, int(i)))
        technician, n = counts.technicians[i], int(counts.bleeds[i])
        examples = _bleeds_with_most_blanks(bleeds, missed, technician) if p_value <= SIGNIFICANT else ()
        findings.append(EntryFinding(technician, "recorded_only_when_met", "", n, line.slope, p_value, examples))
    return findings


def _count_entries(bleeds: pl.DataFrame, missed: pl.DataFrame) -> _EntryCounts:
    steps = missed.columns
    by_technician = missed.with_columns(technician=bleeds.get_column("technician")).group_by("technician")
    sums = [pl.col(s).sum().alias(f"m_{s}") for s in steps] + [pl.col(s).count().alias(f"r_{s}") for s in steps]
    table = by_technician.agg(pl.len().alias("n"), *sums).sort("technician")
    return _EntryCounts(
        technicians=table.get_column("technician").to_list(),
        bleeds=table.get_column("n").to_numpy().astype(float),
        missed=table.select(f"m_{s}" for s in steps).to_numpy().astype(float),
        recorded=table.select(f"r_{s}" for s in steps).to_numpy().astype(float),
    )


def _compare_with_others(counts: _EntryCounts) -> list[_TechnicianEntries]:
    all_missed, all_recorded, all_bleeds = counts.missed.sum(axis=0), counts.recorded.sum(axis=0), counts.bleeds.sum()
    people = []
    for bleeds, missed, recorded in zip(counts.bleeds, counts.missed, counts.recorded, strict=True):
        others = all_recorded - recorded
        share = (all_missed - missed + 0.5) / (others + 1)
        blank = 1 - others / max(all_bleeds - bleeds, 1.0)
        people.append(_TechnicianEntries(float(bleeds), missed, recorded, recorded * share, share, blank))
    return people


def _gamma_shape(counts: _EntryCounts) -> float:
    """How alike technicians' profiles over the steps are: the gamma shape of recorded over expected misses, by moments."""
    share = counts.missed.sum(axis=0) / np.maximum(counts.recorded.sum(axis=0), 1)
    expected = counts.recorded * share
    level = counts.missed.sum(axis=1) / np.maximum(expected.sum(axis=1), 1e-9)
    mean = expected * level[:, None]
    spread = ((counts.missed - mean) ** 2 - mean).sum() / max((mean**2).sum(), 1e-9)
    return float(1 / max(spread, MIN_SPREAD))


def _regress_blanks_on_misses(person: _TechnicianEntries, shape: float) -> _BlanksLine:
    """Weighted least squares of the blanks beyond peers on the likely share missed, over the steps."""
    level = (person.missed.sum() + 0.5) / (person.expected_misses.sum() + 0.5)
    likely = person.peers_missed * (shape + person.missed) / (shape + person.expected_misses * level)
    blank = 1 - person.recorded / person.bleeds
    expected = person.peers_blank * max(blank.mean() / max(person.peers_blank.mean(), 1e-9), 1.0)
    expected = np.clip(expected, 0, 0.9)
    weight = 1 / (expected * (1 - expected) + 1 / person.bleeds)
    x = np.column_stack([np.ones_like(likely), likely])
    covariance = np.linalg.pinv(x.T @ (x * weight[:, None]))
    y = blank - person.peers_blank
    line = covariance @ (x.T @ (weight * y))
    degrees_of_freedom = len(y) - 2
    spread = max(float(weight @ (y - x @ line) ** 2) / degrees_of_freedom, 1 / person.bleeds)
    sd = max(float(np.sqrt(spread * covariance[1, 1])), 1e-12)
    return _BlanksLine(float(line[1]), float(student_tail(line[1] / sd, degrees_of_freedom)))


def _fewer_misses_p_value(log_ratios: FloatArray, variances: FloatArray, i: int) -> float:
    """p-value of technician `i` recording so few misses, if drawn from among the others (pooled by random effects)."""
    r, v = np.delete(log_ratios, i), np.delete(variances, i)
    between = between_variance(r, v)
    pooled = 1 / (v + between)
    sd = np.sqrt(between + variances[i] + 1 / pooled.sum())
    return float(student_tail((pooled @ r / pooled.sum() - log_ratios[i]) / sd, len(r) - 1))


def _fisher_combination(p_1: float, p_2: float) -> float:
    """Combine two independent p-values, each of which must be significant by itself."""
    if max(p_1, p_2) > SIGNIFICANT:
        return max(p_1, p_2)
    product = max(p_1 * p_2, 1e-300)
    return float(product * (1 - np.log(product)))


def _bleeds_with_most_blanks(bleeds: pl.DataFrame, missed: pl.DataFrame, technician: str) -> tuple[str, ...]:
    """That technician's bleeds with the most blanks."""
    own = missed.filter(bleeds.get_column("technician") == technician)
    blanks = own.select("session_id", blanks=pl.sum_horizontal(pl.col(missed.columns[1:]).is_null()))
    return example_bleeds(blanks.sort("blanks", "session_id", descending=[True, False]))
