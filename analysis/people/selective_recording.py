"""Steps recorded only when met: blanks that stand where the misses should."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.people.finding import MIN_ENTRIES, Finding, example_bleeds
from analysis.stats import student_tail

FloatArray = NDArray[np.float64]
MIN_STEPS = 5
MIN_PEOPLE = 4
BEYOND_CHANCE = 0.05
MIN_SPREAD = 0.02
"""Of a person's step-to-step variance, relative; keeps a shop of people all alike from dividing by nothing."""


@dataclass(frozen=True)
class _Counts:
    """Bleeds of each technician, and by technician and step the misses and the entries."""

    technicians: list[str]
    bleeds: FloatArray
    missed: FloatArray
    recorded: FloatArray


@dataclass(frozen=True)
class _Person:
    """One technician beside the rest: shares by step; `expected_misses` are the misses peers would have in the same entries."""

    bleeds: float
    missed: FloatArray
    recorded: FloatArray
    expected_misses: FloatArray
    peers_missed: FloatArray
    peers_blank: FloatArray


@dataclass(frozen=True)
class _Line:
    """Of blanks along misses: its slope, and the p-value of a slope above 0."""

    slope: float
    p_value: float


def selective_findings(bleeds: pl.DataFrame, missed: pl.DataFrame) -> list[Finding]:
    """Steps left blank where others write a miss.

    If whether a step is written down does not depend on whether it was met, two things hold, and independently: the
    share left blank does not rise along the steps with the share missed (a straight line over the steps, Student's t
    with the line's own residuals, so that blanks that favour some steps for reasons of their own are allowed for), and
    the misses that are written are about as many as peers' who do the same (the logarithm of written over foretold,
    Student's t against the spread among the others, so that careful people are allowed for). Both p-values must be at
    most 0.05; they are then combined (R. A. Fisher 1932, Statistical Methods for Research Workers, section 21.1).

    The share a person misses of each step is peers' share, moved toward the person's own profile as far as people here
    differ from step to step (a gamma-Poisson mean). `statistic` is the share of misses left blank, beyond peers.

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
    counts = _counts(bleeds, missed.select(steps))
    if len(counts.technicians) < MIN_PEOPLE:
        return []
    people = [_person(counts, i) for i in range(len(counts.technicians))]
    shape = _shape(counts)
    few = _fewer_than_peers(people)
    lines = [_blanks_along_misses(person, shape) for person in people]
    findings = []
    for technician, person, line, fewer in zip(counts.technicians, people, lines, few, strict=True):
        if person.bleeds >= MIN_ENTRIES:
            p = _both(line.p_value, float(fewer))
            examples = _with_blanks(bleeds, missed, technician) if p <= BEYOND_CHANCE else ()
            findings.append(
                Finding(technician, "recorded_only_when_met", "", int(person.bleeds), line.slope, p, examples)
            )
    return findings


def _counts(bleeds: pl.DataFrame, missed: pl.DataFrame) -> _Counts:
    steps = missed.columns
    by_technician = missed.with_columns(technician=bleeds.get_column("technician")).group_by("technician")
    sums = [pl.col(s).sum().alias(f"m_{s}") for s in steps] + [pl.col(s).count().alias(f"r_{s}") for s in steps]
    table = by_technician.agg(pl.len().alias("n"), *sums).sort("technician")
    return _Counts(
        technicians=table.get_column("technician").to_list(),
        bleeds=table.get_column("n").to_numpy().astype(float),
        missed=table.select(f"m_{s}" for s in steps).to_numpy().astype(float),
        recorded=table.select(f"r_{s}" for s in steps).to_numpy().astype(float),
    )


def _person(counts: _Counts, i: int) -> _Person:
    recorded = counts.recorded.sum(axis=0) - counts.recorded[i]
    share = (counts.missed.sum(axis=0) - counts.missed[i] + 0.5) / (recorded + 1)
    others = max(counts.bleeds.sum() - counts.bleeds[i], 1.0)
    return _Person(
        bleeds=float(counts.bleeds[i]),
        missed=counts.missed[i],
        recorded=counts.recorded[i],
        expected_misses=counts.recorded[i] * share,
        peers_missed=share,
        peers_blank=1 - recorded / others,
    )


def _shape(counts: _Counts) -> float:
    """How alike people's profiles over the steps are: the gamma shape of misses over foretold, by moments."""
    share = counts.missed.sum(axis=0) / np.maximum(counts.recorded.sum(axis=0), 1)
    expected = counts.recorded * share
    level = counts.missed.sum(axis=1) / np.maximum(expected.sum(axis=1), 1e-9)
    mean = expected * level[:, None]
    spread = ((counts.missed - mean) ** 2 - mean).sum() / max((mean**2).sum(), 1e-9)
    return float(1 / max(spread, MIN_SPREAD))


def _blanks_along_misses(person: _Person, shape: float) -> _Line:
    level = (person.missed.sum() + 0.5) / (person.expected_misses.sum() + 0.5)
    likely = person.peers_missed * (shape + person.missed) / (shape + person.expected_misses * level)
    blank = 1 - person.recorded / person.bleeds
    usual = person.peers_blank * max(blank.mean() / max(person.peers_blank.mean(), 1e-9), 1.0)
    usual = np.clip(usual, 0, 0.9)
    weight = 1 / (usual * (1 - usual) + 1 / person.bleeds)
    x = np.column_stack([np.ones_like(likely), likely])
    covariance = np.linalg.pinv(x.T @ (x * weight[:, None]))
    y = blank - person.peers_blank
    line = covariance @ (x.T @ (weight * y))
    freedom = len(y) - 2
    spread = max(float(weight @ (y - x @ line) ** 2) / freedom, 1 / person.bleeds)
    sd = max(float(np.sqrt(spread * covariance[1, 1])), 1e-12)
    return _Line(float(line[1]), float(student_tail(line[1] / sd, freedom)))


def _fewer_than_peers(people: list[_Person]) -> FloatArray:
    """For each person: the chance to write so few misses, if drawn from among the others (pooled by random effects)."""
    ratio = np.array([np.log((p.missed.sum() + 0.5) / (p.expected_misses.sum() + 0.5)) for p in people])
    variance = np.array([1 / (p.missed.sum() + 0.5) for p in people])
    chances = np.ones(len(people))
    for i in range(len(people)):
        others = np.arange(len(people)) != i
        r, v = ratio[others], variance[others]
        weight = 1 / v
        q = weight @ (r - weight @ r / weight.sum()) ** 2
        between = max(0.0, (q - (len(r) - 1)) / (weight.sum() - (weight**2).sum() / weight.sum()))
        pooled = 1 / (v + between)
        sd = np.sqrt(between + variance[i] + 1 / pooled.sum())
        chances[i] = student_tail((pooled @ r / pooled.sum() - ratio[i]) / sd, len(r) - 1)
    return chances


def _both(p_1: float, p_2: float) -> float:
    """Fisher's combination of two independent p-values, each of which must be beyond chance by itself."""
    if max(p_1, p_2) > BEYOND_CHANCE:
        return max(p_1, p_2)
    product = max(p_1 * p_2, 1e-300)
    return float(product * (1 - np.log(product)))


def _with_blanks(bleeds: pl.DataFrame, missed: pl.DataFrame, technician: str) -> tuple[str, ...]:
    """That technician's bleeds with the most blanks."""
    own = missed.filter(bleeds.get_column("technician") == technician)
    blanks = own.select("session_id", blanks=pl.sum_horizontal(pl.col(missed.columns[1:]).is_null()))
    return example_bleeds(blanks.sort("blanks", "session_id", descending=[True, False]))
