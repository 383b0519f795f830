"""The rates table: groups compared by indirect standardisation for case mix."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.rates.case_mix import CaseMix, build_case_mix
from analysis.rates.comparison import GroupComparison, GroupCounts, compare_stepwise
from analysis.rates.crude import KINDS, crude_rates
from analysis.rates.gamma_poisson import gamma_poisson
from analysis.rates.leave_group_out import leave_group_out
from analysis.stats import ratio_limits
from schemas import empty, validate_table
from schemas.outputs import Rates

FloatArray = NDArray[np.float64]
DRAWS = 2000


def rates(data: BleedData, rng: np.random.Generator, case_mix: CaseMix | None = None) -> DataFrame[Rates]:
    """Comeback rates of every group, and whether they differ from what is expected for the same case mix.

    Estimand: comebacks among a group's mature bleeds over those expected if the other groups had done the same work
    (standardised comeback ratio, O/E). Limits are exact, conditional on the sum of observed and reference comebacks,
    with counts divided by the design effect of bikes. A shrunk rate is the indirectly standardised rate: the gamma-Poisson
    empirical Bayes ratio times the rate of all bleeds, so that groups rank by their ratios. p-values are
    widened for overdispersion where ten or more groups are compared; q-values are Benjamini-Hochberg within a kind. The
    group that differs most is excluded and the others are compared again, until none differs.

    Only comebacks within the window count. Later ones would double the count, but worn parts and weeping seals bring
    them to all groups alike, which hides real differences. A group with fewer than 10 mature bleeds or 2 expected
    comebacks is `too_few`, as is every group with fewer than 40 comebacks in the log. A kind with one group is not
    compared.

    Parameters
    ----------
    data
        All accepted bleeds.
    rng
        For folds and posterior draws of ranks.
    case_mix
        `build_case_mix(data.bleeds)`, if already computed.
    """
    crude = crude_rates(data)
    if data.small_sample:
        return _complete_rates_table(crude)
    case_mix = case_mix or build_case_mix(data.bleeds)
    parts = [_standardised_ratios(data, crude, kind, column, case_mix, rng) for kind, column in KINDS.items()]
    whole = pl.DataFrame({"kind": ["all"], "group": ["all"], "signal": ["none"]})  # nothing to compare it with
    compared = pl.concat([whole, *(part for part in parts if part is not None)], how="diagonal")
    table = crude.join(compared, on=["kind", "group"], how="left")
    return _complete_rates_table(_withhold_signals(table, data))


def _withhold_signals(table: pl.DataFrame, data: BleedData) -> pl.DataFrame:
    """No signal for shops whose recording of returns is in question, nor for technicians with half their work there."""
    if not data.in_question:
        return table
    there = pl.col("shop").is_in(list(data.in_question)).fill_null(False)
    people = data.bleeds.group_by("technician").agg(there=there.mean()).filter(pl.col("there") >= 0.5)
    shop = (pl.col("kind") == "shop") & pl.col("group").is_in(list(data.in_question))
    who = (pl.col("kind") == "technician") & pl.col("group").is_in(people.get_column("technician").to_list())
    return table.with_columns(signal=pl.when(shop | who).then(pl.lit("in_question")).otherwise("signal"))


def _standardised_ratios(
    data: BleedData, crude: pl.DataFrame, kind: str, column: str, case_mix: CaseMix, rng: np.random.Generator
) -> pl.DataFrame | None:
    own = crude.filter(pl.col("kind") == kind).sort("group")
    if own.is_empty():
        return None
    groups = leave_group_out(data, column, case_mix, rng)
    return _comparison_columns(own, compare_stepwise(GroupCounts.from_table(own), groups), rng)


def _comparison_columns(table: pl.DataFrame, comparison: GroupComparison, rng: np.random.Generator) -> pl.DataFrame:
    """The comparison as columns, with limits of the ratio, shrunk rates and, if groups are compared, rank intervals."""
    observed, mature = (table.get_column(name).to_numpy().astype(float) for name in ("comebacks", "mature"))
    names = ("ratio", "ratio_lo", "ratio_hi", "shrunk_rate", "shrunk_lo", "shrunk_hi", "rank_lo", "rank_hi")
    columns = {name: np.full(len(observed), np.nan) for name in names}
    rows = np.isfinite(comparison.expected) & (comparison.expected > 0)
    o, e, reference = observed[rows], comparison.expected[rows], comparison.reference[rows]
    design_effect = comparison.clustering
    limits = ratio_limits(o / design_effect, e / design_effect, reference / design_effect)
    columns["ratio"][rows], columns["ratio_lo"][rows], columns["ratio_hi"][rows] = o / e, limits.lo, limits.hi
    effective_share = 1 / (design_effect * (1 + e / reference))  # the expectation is estimated from a count too
    shrunk = gamma_poisson(o * effective_share, e * effective_share)
    overall = observed.sum() / max(mature.sum(), 1.0)
    columns["shrunk_rate"][rows] = np.clip(shrunk.ratio * overall, 0, 1)
    if comparison.compared.any():
        draws = shrunk.draws(DRAWS, rng)
        limits_of_rate = np.clip(np.quantile(draws, [0.025, 0.975], axis=0) * overall, 0, 1)
        columns["shrunk_lo"][rows], columns["shrunk_hi"][rows] = limits_of_rate
        ranks = np.argsort(np.argsort(-draws, axis=1), axis=1) + 1
        columns["rank_lo"][rows], columns["rank_hi"][rows] = np.quantile(
            ranks, [0.025, 0.975], axis=0, method="nearest"
        )
    for name in ("expected", "funnel_lo", "funnel_hi", "p_value", "q_value"):
        columns[name] = getattr(comparison, name)
    return table.select("kind", "group").with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in columns.items()),
        signal=pl.Series(comparison.signal),
    )


def _complete_rates_table(table: pl.DataFrame) -> DataFrame[Rates]:
    schema = empty(Rates).schema
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in table.columns]
    full = table.with_columns(absent).with_columns(pl.col("signal").fill_null("too_few"))
    return validate_table(Rates, full.select(schema.names()).sort("kind", "group"))
