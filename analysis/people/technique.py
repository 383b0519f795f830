"""Technique person by person: misses against peers on the same work, and what the excess costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData, per_year
from analysis.people.peer_comparison import CONTEXT, Peers, compare_with_peers
from analysis.rates import covariate_patterns
from analysis.stats import Z95, benjamini_hochberg, between_variance
from schemas import empty, validate_table
from schemas.outputs import Steps, Technique

FloatArray = NDArray[np.float64]
MIN_RECORDED = 10
CLEAR_Q = 0.05


def technique_table(data: BleedData, steps: DataFrame[Steps]) -> DataFrame[Technique]:
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
    data
        All accepted bleeds.
    steps
        The ranked steps; where their cost is unknown, preventable is empty.
    """
    if data.bleeds.is_empty():
        return empty(Technique)
    work = covariate_patterns(data.bleeds, CONTEXT)
    technician = data.bleeds.get_column("technician")
    cost = {row["step"]: _cost_of_a_miss(row) for row in steps.iter_rows(named=True)}
    a_year = _bleeds_per_year(data)
    missed = data.missed.drop("session_id")
    comparisons = zip(missed.columns, compare_with_peers(technician, work, missed), strict=True)
    table = pl.concat([_one_step(step, of_step, cost.get(step), a_year) for step, of_step in comparisons])
    q_value = benjamini_hochberg(table.get_column("p_value").fill_null(np.nan).to_numpy())
    table = table.with_columns(q_value=pl.Series(q_value).fill_nan(None))
    table = table.with_columns(clear=(pl.col("q_value") <= CLEAR_Q) & ((pl.col("lo") > 0) | (pl.col("hi") < 0)))
    return validate_table(Technique, _ranked(table).sort("technician", "step"))


def shrink_excess(peers: Peers, enough: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Posterior mean and standard deviation of each excess under a normal spread between technicians.

    The spread comes from the deviations from everyone, which are nearly independent; excesses over peers are not, as
    each technician is among the peers of all others. An excess varies by the technician's own spread and by that of the
    peers' mean.
    """
    n = np.where(enough, peers.recorded, 0.0)
    if enough.sum() < 2:
        return np.full_like(n, np.nan), np.full_like(n, np.nan)
    tau2 = between_variance(peers.deviation[enough], peers.deviation_sd[enough] ** 2)
    peers_spread = ((n**2).sum() - n**2) / np.maximum(n.sum() - n, 1.0) ** 2
    spread = tau2 * (1 + peers_spread)
    sd = np.where(enough, peers.excess_sd, np.nan)
    pull = spread / (spread + sd**2)
    return pull * (peers.share - peers.peer_share), np.sqrt(pull) * sd


@dataclass(frozen=True)
class MissCost:
    """Comebacks that one miss costs, and the standard deviation of that estimate."""

    per_miss: float
    sd: float


def _one_step(step: str, peers: Peers, cost: MissCost | None, bleeds_per_year: dict[str, float]) -> pl.DataFrame:
    enough = (peers.recorded >= MIN_RECORDED) & np.isfinite(peers.peer_share)
    middle, sd = shrink_excess(peers, enough)
    per_year = np.array([bleeds_per_year[name] for name in peers.technicians])
    preventable, preventable_sd = _preventable(middle, sd, cost)
    return pl.DataFrame(
        {
            "technician": peers.technicians,
            "step": step,
            "recorded": peers.recorded.astype(np.int64),
            "missed": peers.missed.astype(np.int64),
            "share": peers.share,
            "peer_share": peers.peer_share,
            "excess": middle,
            "lo": np.maximum(middle - Z95 * sd, -1.0),
            "hi": np.minimum(middle + Z95 * sd, 1.0),
            "preventable": preventable * per_year,
            "preventable_lo": (preventable - Z95 * preventable_sd) * per_year,
            "preventable_hi": (preventable + Z95 * preventable_sd) * per_year,
            "p_value": np.where(enough, peers.p_value, np.nan),
        }
    ).with_columns(pl.selectors.float().fill_nan(None))


def _preventable(excess: FloatArray, sd: FloatArray, cost: MissCost | None) -> tuple[FloatArray, FloatArray]:
    """Comebacks a bleed that the excess costs, and the standard deviation of that product of two estimates."""
    if cost is None:
        return np.full_like(excess, np.nan), np.full_like(excess, np.nan)
    variance = cost.per_miss**2 * sd**2 + excess**2 * cost.sd**2 + sd**2 * cost.sd**2
    return excess * cost.per_miss, np.sqrt(variance)


def _ranked(table: pl.DataFrame) -> pl.DataFrame:
    counts = (pl.col("excess") > 0) & (pl.col("preventable") > 0)
    rank = pl.when(counts).then(pl.col("preventable")).rank("ordinal", descending=True).over("technician")
    return table.with_columns(coach_rank=rank.cast(pl.Int64)).select(list(empty(Technique).columns))


def _cost_of_a_miss(row: dict[str, float | None]) -> MissCost | None:
    preventable, share, lo, hi = (row[name] for name in ("preventable_per_100", "share_missed", "lo", "hi"))
    if preventable is None or lo is None or hi is None or not share:
        return None
    return MissCost(preventable / 100 / share, (hi - lo) / (2 * Z95) / 100 / share)


def _bleeds_per_year(data: BleedData) -> dict[str, float]:
    """Over each technician's own time in the log, from first bleed to the as-of date, at least a month."""
    own = data.bleeds.group_by("technician").agg(a_year=per_year(pl.len(), pl.col("age_days").max()))
    return dict(own.sort("technician").iter_rows())
