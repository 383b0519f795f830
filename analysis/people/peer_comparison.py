"""How often each technician misses each step, compared with peers on the same kinds of work, and what the excess costs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import CASE_MIX, BleedData, per_year
from analysis.people.recent_bleeds import recent_bleeds
from analysis.rates import CovariatePatterns, covariate_patterns
from analysis.stats import (
    INDEPENDENT,
    Z95,
    DesignEffect,
    FloatArray,
    benjamini_hochberg,
    design_effect_within_groups,
    level_codes,
    spread_posterior,
    student_tail,
)
from schemas import empty, validate_table
from schemas.outputs import Steps, Technique

IntArray = NDArray[np.int64]
CONTEXT = ("brake_model", *(name for name in CASE_MIX if name not in ("bike_kind", "fluid_out")))
"""What decides how a brake is bled; the kind of bike and the old fluid do not."""
RIDGE = 1.0
"""The ridge penalty, in bleeds: keeps a brake model with few bleeds from getting a share of its own."""
MIN_RECORDED = 10
CLEAR_Q = 0.05
LARGEST_SPREAD = 0.5
"""Largest standard deviation that shares can have."""


def technique_table(data: BleedData, steps: DataFrame[Steps]) -> DataFrame[Technique]:
    """Compare each technician's share missed of each step with peers, and rank the steps to coach.

    Only recent bleeds count: those of the last 12 months, or the last 150 if these are fewer. Once a technician has clearly
    improved on a step, only bleeds since then count for it (`recent_bleeds`).

    - `excess`: the share that the technician misses minus the share that peers miss on the same mix of work, shrunk
      towards 0; the spread between technicians is estimated for each step (`spread_posterior`).
    - `preventable`: comebacks a year caused by the excess: excess × bleeds a year × cost of one miss
      (preventable_per_100 / 100 / share_missed). Its limits take excess and cost as independent normal estimates
      (variance of a product, L. A. Goodman 1960, J. Am. Stat. Assoc. 55:708-713; from memory).
    - `coach_rank` orders a technician's steps by `preventable`, among those with excess and cost above 0.
    - `q_value` controls false discoveries over all technicians and steps (Benjamini & Hochberg 1995); an excess is `clear`
      if that is at most 0.05 and the interval excludes 0.

    Parameters
    ----------
    steps
        The ranked steps; `preventable` is empty where a step's cost is unknown.
    """
    if data.bleeds.is_empty():
        return empty(Technique)
    patterns = covariate_patterns(data.bleeds, CONTEXT)
    technician, recent = data.bleeds.get_column("technician"), recent_bleeds(data)
    costs = {row["step"]: _miss_cost(row) for row in steps.iter_rows(named=True)}
    yearly_bleeds = _bleeds_per_year(data)
    missed = recent.missed.drop("session_id")
    peers = compare_with_peers(technician, patterns, missed, data.bleeds.get_column("month"))
    comparisons = zip(missed.columns, peers, strict=True)
    table = pl.concat([_step_rows(step, peers, costs.get(step), yearly_bleeds) for step, peers in comparisons])
    q_value = benjamini_hochberg(table.get_column("p_value").fill_null(np.nan).to_numpy())
    table = table.with_columns(q_value=pl.Series(q_value).fill_nan(None))
    table = table.with_columns(clear=(pl.col("q_value") <= CLEAR_Q) & ((pl.col("lo") > 0) | (pl.col("hi") < 0)))
    first_day = pl.col("technician").replace_strict(recent.first_day, default=None, return_dtype=pl.Date)
    table = table.join(recent.improvements, on=["technician", "step"], how="left").with_columns(
        since=pl.max_horizontal(first_day, "improved_since")
    )
    table = table.join(_misses_beyond_colleagues(data, missed), on=["technician", "step"], how="left")
    return validate_table(Technique, _with_coach_ranks(table).sort("technician", "step"))


def _misses_beyond_colleagues(data: BleedData, missed: pl.DataFrame) -> pl.DataFrame:
    """Whether each technician misses each step more often than colleagues in the same workshop and quarter.

    `missed` (n × steps) is empty for bleeds that are not recent. Two proportions are compared within each workshop and
    quarter and added up over both (Mantel & Haenszel 1959, J. Natl. Cancer Inst. 22:719-748; from memory), so that neither
    a workshop that differs nor a change in the whole workshop is put down to one person. Empty without colleagues.
    """
    steps, stratum = missed.columns, ["shop", "quarter"]
    rows = data.bleeds.select("technician", "shop", quarter=pl.col("started_at").dt.truncate("1q"))
    counts = (
        rows.hstack(missed)
        .group_by("technician", *stratum)
        .agg(
            pl.struct(k=pl.col(step).cast(pl.Float64).sum(), n=pl.col(step).count().cast(pl.Float64)).alias(step)
            for step in steps
        )
        .unpivot(on=steps, index=["technician", *stratum], variable_name="step")
        .unnest("value")
        .filter(pl.col("n") > 0)
    )
    all_k, all_n = (pl.col(name).sum().over("step", *stratum) for name in ("k", "n"))
    share = all_k / all_n
    return (
        counts.with_columns(
            difference=pl.col("k") - pl.col("n") * share, all_n=all_n,
            variance=pl.col("n") * (all_n - pl.col("n")) * share * (1 - share) / (all_n - 1),
        )
        .filter(pl.col("n") < pl.col("all_n"))
        .group_by("technician", "step")
        .agg(pl.col("difference").sum(), pl.col("variance").sum())
        .select("technician", "step", beyond_shop=(pl.col("difference") / pl.col("variance").sqrt()).fill_nan(0.0) > Z95)
    )  # fmt: skip


@dataclass(frozen=True)
class PeerComparison:
    """One step's comparison, one value per technician, in the order of `technicians`.

    `peer_share` is what the others miss on this technician's mix of work; `excess_sd` is the standard error of share
    less peer_share, from both sides' counts. `deviation` is the share less what everyone, this technician included,
    misses on that work, and `deviation_sd` its standard error: deviations are nearly independent between technicians.
    `p_value` tests whether the technician misses the step as often as everyone else on the same work; NaN with fewer than
    10 recorded. Standard errors and p-value allow for months in which a technician missed it more or less often than usual.
    """

    technicians: list[str]
    recorded: FloatArray
    missed: FloatArray
    share: FloatArray
    peer_share: FloatArray
    excess_sd: FloatArray
    deviation: FloatArray
    deviation_sd: FloatArray
    p_value: FloatArray


def compare_with_peers(
    technician: pl.Series, patterns: CovariatePatterns, steps: Iterable[pl.Series], month: pl.Series | None = None
) -> list[PeerComparison]:
    """Compare each technician's share missed of each step with what the others miss on the same work.

    A least-squares line on the context, fitted without the technician's own bleeds, is averaged over those bleeds:
    indirect standardisation with the technician left out. Bleeds where the step was not recorded do not count.

    Parameters
    ----------
    technician
        Who bled, one entry per bleed.
    patterns
        The kinds of work by `CONTEXT`, and which of them each bleed is.
    steps
        Whether each step was missed, one entry per bleed; null where it was not recorded.
    month
        The month of each bleed: variances are multiplied by the step's design effect of months within technicians. By
        default bleeds are independent.

    Returns
    -------
    list of PeerComparison
        One per step.
    """
    names, x = technician.unique().sort().to_list(), np.column_stack([np.ones(len(patterns.x)), patterns.x])
    owner_of_bleed, months = level_codes(technician), None if month is None else level_codes(month)
    cells, cell_of_bleed = np.unique(owner_of_bleed * len(x) + patterns.pattern_index, return_inverse=True)
    owner, pattern = np.divmod(cells, len(x))
    comparisons = []
    for missed in steps:
        states = (missed.cast(pl.Int8) + 1).fill_null(0).to_numpy()  # 0 not recorded, 1 met, 2 missed
        counts = np.bincount(3 * cell_of_bleed + states, minlength=3 * len(cells)).reshape(len(cells), 3)
        recorded = counts[:, 1:].sum(axis=1) > 0
        trials, successes = counts[recorded, 1:].sum(axis=1), counts[recorded, 2]
        usable, effect = states > 0, INDEPENDENT
        if months is not None:
            effect = design_effect_within_groups(states[usable] - 1.0, owner_of_bleed[usable], months[usable])
        step_counts = _StepCounts(names, x, owner[recorded], pattern[recorded], trials, successes)
        comparisons.append(step_counts.compare(effect))
    return comparisons


@dataclass(frozen=True)
class _StepCounts:
    """A step recorded (`trials`) and missed (`successes`), one entry per technician and kind of work that occur together.

    `x` has one row per kind of work; entries are sorted by `owner`, the technician's index in `technicians`. Only pairs
    that occur are held, so that thousands of technicians need memory by their bleeds, not by technicians × kinds.
    """

    technicians: list[str]
    x: FloatArray
    owner: IntArray
    pattern: IntArray
    trials: IntArray
    successes: IntArray

    def compare(self, effect: DesignEffect) -> PeerComparison:
        n_technicians, n_patterns = len(self.technicians), len(self.x)
        all_trials = np.bincount(self.pattern, self.trials, n_patterns).astype(float)
        gram = (self.x * all_trials[:, None]).T @ self.x + RIDGE * np.eye(self.x.shape[1])
        moment = self.x.T @ np.bincount(self.pattern, self.successes, n_patterns)
        inverse = np.linalg.inv(gram)
        common = self.x @ inverse @ moment
        test = _ScoreTest(self.x, self.x @ inverse, all_trials, common)
        recorded = np.bincount(self.owner, self.trials, n_technicians).astype(float)
        hits = np.bincount(self.owner, self.successes, n_technicians).astype(float)
        expected = np.bincount(self.owner, self.trials * common[self.pattern], n_technicians)
        bounds = np.searchsorted(self.owner, np.arange(n_technicians + 1))
        peer_share, sd, z = (np.full(n_technicians, np.nan) for _ in range(3))
        for i in np.flatnonzero((recorded > 0) & (recorded < recorded.sum())):
            own = slice(bounds[i], bounds[i + 1])
            kinds, trials = self.pattern[own], self.trials[own]
            x = self.x[kinds]
            mean = np.asarray(trials @ x / recorded[i])
            weights = _solve_without(gram, inverse, x, trials, mean)
            peer_share[i] = np.clip(weights @ (moment - self.successes[own] @ x), 0, 1)
            sd[i] = _excess_sd(hits[i], recorded[i], peer_share[i], float(weights @ mean))
            if recorded[i] >= MIN_RECORDED:
                z[i] = test.z(float(hits[i] - expected[i]), kinds, trials)
        with np.errstate(invalid="ignore", divide="ignore"):
            deviation_sd = np.sqrt(_smoothed_variance(hits, recorded) / recorded)
            deviation, share = (hits - expected) / recorded, hits / recorded
        wider = np.sqrt(effect.ratio)
        p_value = 2 * student_tail(np.abs(z) / wider, effect.degrees_of_freedom)
        sd, deviation_sd = sd * wider, deviation_sd * wider
        return PeerComparison(self.technicians, recorded, hits, share, peer_share, sd, deviation, deviation_sd, p_value)


def _solve_without(
    gram: FloatArray, inverse: FloatArray, x: FloatArray, trials: IntArray, target: FloatArray
) -> FloatArray:
    """Solve (gram − xᵀ diag(trials) x) v = target, for one technician's kinds of work left out of everyone's `gram`.

    With fewer kinds of work than columns, by the Sherman-Morrison-Woodbury formula from the inverse of `gram`: a technician
    with one bleed costs a division instead of a matrix to invert, of which there would be thousands.
    """
    if len(x) >= len(gram):
        return np.asarray(np.linalg.solve(gram - (x * trials[:, None]).T @ x, target))
    gain = x @ inverse
    return np.asarray(inverse @ target + gain.T @ np.linalg.solve(np.diag(1 / trials) - gain @ x.T, gain @ target))


@dataclass(frozen=True)
class _ScoreTest:
    """Test that one technician misses a step as often as everyone on the same work.

    The line fitted on everyone is taken into account in the variance, so the counts of both sides matter; with one kind
    of work the test is Pearson's of two shares (C. R. Rao 1948, Math. Proc. Camb. Philos. Soc. 44:50-57). The third
    cumulant corrects for the skewness of rare misses (E. A. Cornish & R. A. Fisher 1938, Rev. Inst. Int. Stat. 5:307-320;
    volume and pages from memory).

    One entry or row per kind of work: its columns `x`, its `gain` (x times the inverse of everyone's gram matrix),
    everyone's `trials` and the `common` share missed.
    """

    x: FloatArray
    gain: FloatArray
    trials: FloatArray
    common: FloatArray

    @cached_property
    def _cumulants(self) -> tuple[FloatArray, FloatArray]:
        """Second and third cumulant of one bleed's miss, by kind of work."""
        least = 1 / (self.trials.sum() + 2)
        share = np.clip(self.common, least, 1 - least)
        return share * (1 - share), share * (1 - share) * (1 - 2 * share)

    def z(self, score: float, kinds: IntArray, own: IntArray) -> float:
        """`score`, the misses beyond the common share, in standard errors; `own` are the bleeds of each of `kinds`."""
        second, third = self._cumulants
        leverage = self.gain @ (own @ self.x[kinds])
        mine = leverage[kinds]
        variance = float((self.trials * second) @ leverage**2 + (own * second[kinds]) @ (1 - 2 * mine))
        if variance <= 0:
            return float("nan")
        skew = float((own * third[kinds]) @ ((1 - mine) ** 3 + mine**3) - (self.trials * third) @ leverage**3)
        z = score / np.sqrt(variance)
        return float(z - skew / variance**1.5 / 6 * (z * z - 1))


def _smoothed_variance(hits: FloatArray, n: FloatArray) -> FloatArray:
    """Variance of one bleed, with one miss and one success added so that no share is certain."""
    share = (hits + 1) / (n + 2)
    return share * (1 - share)


def _excess_sd(hits: float, n: float, peer_share: float, leverage: float) -> float:
    """Standard error of share less peer_share, from the counts of both sides."""
    own = (hits + 1) / (n + 2)
    common = min(max(peer_share, 1 / (n + 2)), 1 - 1 / (n + 2))
    return float(np.sqrt(own * (1 - own) / n + common * (1 - common) * leverage))


def shrink_excess(peers: PeerComparison, enough: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Posterior mean and standard deviation of each excess under a normal spread between technicians.

    The spread comes from the deviations from everyone, which are nearly independent; excesses over peers are not, as
    each technician is among the peers of all others. An excess varies by the technician's own spread and by that of the
    peers' mean. The spread is not known exactly, and averaged over (`spread_posterior`). NaN where there is not `enough`
    recorded.
    """
    n = np.where(enough, peers.recorded, 0.0)
    if enough.sum() < 2:
        return np.full_like(n, np.nan), np.full_like(n, np.nan)
    posterior = spread_posterior(peers.deviation[enough], peers.deviation_sd[enough] ** 2, LARGEST_SPREAD)
    peers_spread = ((n**2).sum() - n**2) / np.maximum(n.sum() - n, 1.0) ** 2
    sd = np.where(enough, peers.excess_sd, np.nan)
    shrunk = posterior.shrink(peers.share - peers.peer_share, sd**2, 1 + peers_spread)
    return shrunk.mean, shrunk.sd


@dataclass(frozen=True)
class MissCost:
    """Comebacks that one miss costs, and the standard error of that estimate."""

    per_miss: float
    sd: float


def _miss_cost(step: dict[str, float | None]) -> MissCost | None:
    preventable, share, lo, hi = (step[name] for name in ("preventable_per_100", "share_missed", "lo", "hi"))
    if preventable is None or lo is None or hi is None or not share:
        return None
    return MissCost(preventable / 100 / share, (hi - lo) / (2 * Z95) / 100 / share)


def _step_rows(
    step: str, peers: PeerComparison, cost: MissCost | None, yearly_bleeds: dict[str, float]
) -> pl.DataFrame:
    """One step's rows of the technique table, without ranks and q-values."""
    enough = (peers.recorded >= MIN_RECORDED) & np.isfinite(peers.peer_share)
    excess, sd = shrink_excess(peers, enough)
    per_year = np.array([yearly_bleeds[name] for name in peers.technicians])
    preventable, preventable_sd = _preventable_comebacks(excess, sd, cost)
    return pl.DataFrame(
        {
            "technician": peers.technicians,
            "step": step,
            "recorded": peers.recorded.astype(np.int64),
            "missed": peers.missed.astype(np.int64),
            "share": peers.share,
            "peer_share": peers.peer_share,
            "excess": excess,
            "lo": np.maximum(excess - Z95 * sd, -1.0),
            "hi": np.minimum(excess + Z95 * sd, 1.0),
            "preventable": preventable * per_year,
            "preventable_lo": (preventable - Z95 * preventable_sd) * per_year,
            "preventable_hi": (preventable + Z95 * preventable_sd) * per_year,
            "p_value": np.where(enough, peers.p_value, np.nan),
        }
    ).with_columns(pl.selectors.float().fill_nan(None))


def _preventable_comebacks(excess: FloatArray, sd: FloatArray, cost: MissCost | None) -> tuple[FloatArray, FloatArray]:
    """Comebacks per bleed that the excess costs, and the standard error of that product of two estimates."""
    if cost is None:
        return np.full_like(excess, np.nan), np.full_like(excess, np.nan)
    variance = cost.per_miss**2 * sd**2 + excess**2 * cost.sd**2 + sd**2 * cost.sd**2
    return excess * cost.per_miss, np.sqrt(variance)


def _with_coach_ranks(table: pl.DataFrame) -> pl.DataFrame:
    worth_coaching = (pl.col("excess") > 0) & (pl.col("preventable") > 0)
    rank = pl.when(worth_coaching).then(pl.col("preventable")).rank("ordinal", descending=True).over("technician")
    return table.with_columns(coach_rank=rank.cast(pl.Int64)).select(list(empty(Technique).columns))


def _bleeds_per_year(data: BleedData) -> dict[str, float]:
    """Each technician's bleeds a year, over the time from their first bleed to the as-of date, at least a month."""
    own = data.bleeds.group_by("technician").agg(yearly=per_year(pl.len(), pl.col("age_days").max()))
    return dict(own.sort("technician").iter_rows())
