"""Groups compared with what the same work would give: the rates table."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.rates.case_mix import CASE_MIX_FIELDS, CaseMix, build_case_mix
from analysis.rates.comparison import Comparison, GroupCounts, compare_stepwise, compare_with_fixed
from analysis.rates.crude import KINDS, NOT_RECORDED, crude_rates
from analysis.rates.expected_risk import expected_risk
from analysis.rates.gamma_poisson import gamma_poisson
from analysis.rates.leave_group_out import leave_group_out
from analysis.stats import ratio_limits
from schemas import empty, validate_table
from schemas.outputs import Rates

FloatArray = NDArray[np.float64]
DRAWS = 2000


def rates(data: BleedData, rng: np.random.Generator, case_mix: CaseMix | None = None) -> DataFrame[Rates]:
    """How many come back, group by group, and whether the same work explains it.

    Estimand: observed comebacks of a group's mature bleeds over those expected from the same mix of work in the others'
    hands. Both counts are uncertain: exact limits given their sum, counts discounted where bleeds of one bike resemble
    each other; shrunk rates by gamma-Poisson empirical Bayes; p-values widened where ten groups or more differ more than
    chance in general; Benjamini-Hochberg within a kind. The group that differs most is set apart and the others are
    compared again without it, until none differs. The signal counts what the ratio counts: comebacks within the window.
    Later ones would double the count, but parts that wear out and seals that weep bring them to every group alike, so
    that they hide who differs. A group with fewer than 10 mature bleeds or 2 expected comebacks is small_sample, as is
    everything under 40 comebacks in all. One group alone is compared with nobody.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For folds and rank draws.
    work
        `build_case_mix(prepared.bleeds)`, where the caller has it already.
    """
    raw = crude_rates(data)
    if data.small_sample:
        return _table(raw)
    case_mix = case_mix or build_case_mix(data.bleeds)
    parts = [
        _standardised_ratios(data, raw, kind, column, case_mix, rng) for kind, column in {"all": None, **KINDS}.items()
    ]
    found = raw.join(pl.concat([p for p in parts if p is not None]), on=["kind", "group"], how="left")
    return _table(_unanswered(found, data))


def _unanswered(found: pl.DataFrame, data: BleedData) -> pl.DataFrame:
    """Neither praise nor blame for a shop whose recording of returns is in question, nor for technicians who do half of
    their work there or more."""
    if not data.in_question:
        return found
    there = pl.col("shop").is_in(list(data.in_question)).fill_null(False)
    people = data.bleeds.group_by("technician").agg(there=there.mean()).filter(pl.col("there") >= 0.5)
    shop = (pl.col("kind") == "shop") & pl.col("group").is_in(list(data.in_question))
    who = (pl.col("kind") == "technician") & pl.col("group").is_in(people.get_column("technician").to_list())
    return found.with_columns(signal=pl.when(shop | who).then(pl.lit("in_question")).otherwise("signal"))


def _standardised_ratios(
    data: BleedData, crude: pl.DataFrame, kind: str, column: str | None, case_mix: CaseMix, rng: np.random.Generator
) -> pl.DataFrame | None:
    own = crude.filter(pl.col("kind") == kind).sort("group")
    if own.is_empty():
        return None
    if column is None or column in CASE_MIX_FIELDS:
        risk = expected_risk(data, rng, leaving_out=column, case_mix=case_mix)
        counted_risk = np.where(data.bleeds.get_column("mature").to_numpy(), risk, 0.0)
        sums = _expected(data.bleeds, column, case_mix, counted_risk)
        table = own.join(sums, on="group", how="left").with_columns(pl.col("expected").fill_null(0.0)).sort("group")
        expected = table.get_column("expected").to_numpy()
        return _rows(table, compare_with_fixed(GroupCounts.of(table), expected, judged=column is not None), rng)
    return _rows(own, compare_stepwise(GroupCounts.of(own), leave_group_out(data, column, case_mix, rng)), rng)


def _expected(bleeds: pl.DataFrame, column: str | None, case_mix: CaseMix, risk: FloatArray) -> pl.DataFrame:
    """The risk summed within each group, row after row."""
    if column is None:
        return pl.DataFrame({"group": ["all"], "expected": [np.bincount(np.zeros(len(risk), dtype=int), risk)[0]]})
    names = bleeds.get_column(column).fill_null("").unique().sort().replace("", NOT_RECORDED)
    sums = np.bincount(case_mix.group(bleeds, column), risk, len(names))
    return pl.DataFrame({"group": names, "expected": sums}).group_by("group", maintain_order=True).sum()


def _rows(table: pl.DataFrame, found: Comparison, rng: np.random.Generator) -> pl.DataFrame:
    """Comparisons as columns, with limits of the ratio, shrunk rates and, where groups are compared, ranks."""
    observed, mature = (table.get_column(name).to_numpy().astype(float) for name in ("comebacks", "mature"))
    names = ("ratio", "ratio_lo", "ratio_hi", "shrunk_rate", "shrunk_lo", "shrunk_hi", "rank_lo", "rank_hi")
    out = {name: np.full(len(observed), np.nan) for name in names}
    known = np.isfinite(found.expected) & (found.expected > 0)
    o, e, reference = observed[known], found.expected[known], found.reference[known]
    limits = ratio_limits(o / found.clustering, e / found.clustering, reference / found.clustering)
    out["ratio"][known], out["ratio_lo"][known], out["ratio_hi"][known] = o / e, limits.lo, limits.hi
    told = 1 / (found.clustering * (1 + e / reference))  # what of a count is evidence: the expectation rests on one too
    shrunk = gamma_poisson(o * told, e * told)
    for name, value in (
        ("shrunk_rate", shrunk.ratio),
        ("shrunk_lo", shrunk.quantile(0.025)),
        ("shrunk_hi", shrunk.quantile(0.975)),
    ):
        out[name][known] = np.clip(value * e / mature[known], 0, 1)
    if found.compared.any():
        draws = shrunk.draws(DRAWS, rng)
        ranks = np.argsort(np.argsort(-draws, axis=1), axis=1) + 1
        out["rank_lo"][known], out["rank_hi"][known] = np.quantile(ranks, [0.025, 0.975], axis=0, method="nearest")
    out |= {"expected": found.expected, "funnel_lo": found.funnel_lo, "funnel_hi": found.funnel_hi}
    out |= {"p_value": found.p_value, "q_value": found.q_value}
    return table.select("kind", "group").with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in out.items()), signal=pl.Series(found.signal)
    )


def _table(table: pl.DataFrame) -> DataFrame[Rates]:
    schema = empty(Rates).schema
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in table.columns]
    full = table.with_columns(absent).with_columns(pl.col("signal").fill_null("too_few"))
    return validate_table(Rates, full.select(schema.names()).sort("kind", "group"))
