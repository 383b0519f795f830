"""Technique person by person: misses against peers on the same work, and what the excess costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.people.peers import CONTEXT, Peers, peers
from analysis.prepared import Prepared, yearly
from analysis.rates import kinds_of
from analysis.stats import Z95, benjamini_hochberg, between_variance
from schemas import checked, empty
from schemas.outputs import Steps, Technique

Numbers = NDArray[np.float64]
LEAST_RECORDED = 10
CLEAR_Q = 0.05


def technique(prepared: Prepared, steps: DataFrame[Steps]) -> DataFrame[Technique]:
    """Each technician's share missed of each step, against peers, partially pooled, and ordered for coaching.

    Estimand: `excess` is the share a technician misses beyond what peers miss on the same mix of work, shrunk toward
    0 with the spread between technicians estimated for each step (DerSimonian & Laird 1986, Control. Clin. Trials
    7:177-188). `preventable` is the comebacks a year that the excess costs: excess × bleeds a year × the step's cost
    for each miss (preventable_per_100 / 100 / share_missed). `coach_rank` orders one technician's steps by it, among
    those whose excess and cost are both above 0. `q_value` controls false discoveries over every technician and step of
    the audit (Benjamini & Hochberg 1995); an excess is `clear` where it is at most 0.05 and the interval excludes 0. Limits
    of `preventable` take excess and cost as independent normal estimates
    (variance of a product, L. A. Goodman 1960, J. Am. Stat. Assoc. 55:708-713; from memory).

    Parameters
    ----------
    prepared
        All accepted bleeds.
    steps
        The ranked steps; where their cost is unknown, preventable is empty.
    """
    if prepared.bleeds.is_empty():
        return empty(Technique)
    work = kinds_of(prepared.bleeds, CONTEXT)
    technician = prepared.bleeds.get_column("technician")
    cost = {row["step"]: _cost_of_a_miss(row) for row in steps.iter_rows(named=True)}
    a_year = _bleeds_a_year(prepared)
    missed = prepared.missed.drop("session_id")
    found = zip(missed.columns, peers(technician, work, missed), strict=True)
    table = pl.concat([_one_step(step, of_step, cost.get(step), a_year) for step, of_step in found])
    q_value = benjamini_hochberg(table.get_column("p_value").fill_null(np.nan).to_numpy())
    table = table.with_columns(q_value=pl.Series(q_value).fill_nan(None))
    table = table.with_columns(clear=(pl.col("q_value") <= CLEAR_Q) & ((pl.col("lo") > 0) | (pl.col("hi") < 0)))
    return checked(Technique, _ranked(table).sort("technician", "step"))


def shrunk(found: Peers, enough: NDArray[np.bool_]) -> tuple[Numbers, Numbers]:
    """Posterior mean and standard deviation of each excess under a normal spread between technicians.

    The spread comes from the deviations from everyone, which are nearly independent; excesses over peers are not, as
    each technician is among the peers of all others. An excess varies by the technician's own spread and by that of the
    peers' mean.
    """
    n = np.where(enough, found.recorded, 0.0)
    if enough.sum() < 2:
        return np.full_like(n, np.nan), np.full_like(n, np.nan)
    tau2 = between_variance(found.deviation[enough], found.deviation_sd[enough] ** 2)
    peers_spread = ((n**2).sum() - n**2) / np.maximum(n.sum() - n, 1.0) ** 2
    spread = tau2 * (1 + peers_spread)
    sd = np.where(enough, found.excess_sd, np.nan)
    pull = spread / (spread + sd**2)
    return pull * (found.share - found.peer_share), np.sqrt(pull) * sd


@dataclass(frozen=True)
class Cost:
    """Comebacks that one miss costs, and the standard deviation of that estimate."""

    of_a_miss: float
    sd: float


def _one_step(step: str, found: Peers, cost: Cost | None, a_year: dict[str, float]) -> pl.DataFrame:
    enough = (found.recorded >= LEAST_RECORDED) & np.isfinite(found.peer_share)
    middle, sd = shrunk(found, enough)
    per_year = np.array([a_year[name] for name in found.technicians])
    spared, spared_sd = _spared(middle, sd, cost)
    return pl.DataFrame(
        {
            "technician": found.technicians,
            "step": step,
            "recorded": found.recorded.astype(np.int64),
            "missed": found.missed.astype(np.int64),
            "share": found.share,
            "peer_share": found.peer_share,
            "excess": middle,
            "lo": np.maximum(middle - Z95 * sd, -1.0),
            "hi": np.minimum(middle + Z95 * sd, 1.0),
            "preventable": spared * per_year,
            "preventable_lo": (spared - Z95 * spared_sd) * per_year,
            "preventable_hi": (spared + Z95 * spared_sd) * per_year,
            "p_value": np.where(enough, found.p_value, np.nan),
        }
    ).with_columns(pl.selectors.float().fill_nan(None))


def _spared(excess: Numbers, sd: Numbers, cost: Cost | None) -> tuple[Numbers, Numbers]:
    """Comebacks a bleed that the excess costs, and the standard deviation of that product of two estimates."""
    if cost is None:
        return np.full_like(excess, np.nan), np.full_like(excess, np.nan)
    variance = cost.of_a_miss**2 * sd**2 + excess**2 * cost.sd**2 + sd**2 * cost.sd**2
    return excess * cost.of_a_miss, np.sqrt(variance)


def _ranked(table: pl.DataFrame) -> pl.DataFrame:
    counts = (pl.col("excess") > 0) & (pl.col("preventable") > 0)
    rank = pl.when(counts).then(pl.col("preventable")).rank("ordinal", descending=True).over("technician")
    return table.with_columns(coach_rank=rank.cast(pl.Int64)).select(list(empty(Technique).columns))


def _cost_of_a_miss(row: dict[str, float | None]) -> Cost | None:
    preventable, share, lo, hi = (row[name] for name in ("preventable_per_100", "share_missed", "lo", "hi"))
    if preventable is None or lo is None or hi is None or not share:
        return None
    return Cost(preventable / 100 / share, (hi - lo) / (2 * Z95) / 100 / share)


def _bleeds_a_year(prepared: Prepared) -> dict[str, float]:
    """Over each technician's own time in the log, from first bleed to the as-of date, at least a month."""
    own = prepared.bleeds.group_by("technician").agg(a_year=yearly(pl.len(), pl.col("age_days").max()))
    return dict(own.sort("technician").iter_rows())
