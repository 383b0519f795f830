"""Groups compared with what the same work would give: the rates table."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.prepared import Prepared
from analysis.rates.case_mix import expected_risk
from analysis.rates.funnel import chance_limits, overdispersion, two_sided_p
from analysis.rates.raw import KINDS, NOT_RECORDED, raw_rates
from analysis.rates.shrink import gamma_poisson
from analysis.rates.work import WORDS, Work, work_of
from analysis.stats import benjamini_hochberg, exact_poisson_limits
from schemas import checked, empty
from schemas.outputs import Rates

Numbers = NDArray[np.float64]
LEAST_EXPECTED, LEAST_MATURE = 2.0, 10
SIGNAL_Q = 0.05
DRAWS = 2000


def rates(prepared: Prepared, rng: np.random.Generator, work: Work | None = None) -> DataFrame[Rates]:
    """How many come back, group by group, and whether the same work explains it.

    Estimand: observed comebacks of a group's mature bleeds over those expected from the same mix of work in everybody
    else's hands. Exact Poisson limits on the ratio; shrunk rates by gamma-Poisson empirical Bayes; limits and p-values
    widened where groups of a kind differ more than chance in general; Benjamini-Hochberg within a kind. The signal
    counts what the ratio counts: comebacks within the window. Later ones would double the count, but parts that wear out
    and seals that weep bring them to every group alike, so that they hide who differs. A group with fewer than 10 mature
    bleeds or 2 expected comebacks is too_few, as is everything under 40 comebacks in all.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For folds and rank draws.
    work
        `work_of(prepared.bleeds)`, where the caller has it already.
    """
    raw = raw_rates(prepared)
    if prepared.too_few:
        return _table(raw)
    work = work or work_of(prepared.bleeds)
    parts = [_fair(prepared, raw, kind, column, work, rng) for kind, column in {"all": None, **KINDS}.items()]
    return _table(raw.join(pl.concat([p for p in parts if p is not None]), on=["kind", "group"], how="left"))


def _fair(
    prepared: Prepared, raw: pl.DataFrame, kind: str, column: str | None, work: Work, rng: np.random.Generator
) -> pl.DataFrame | None:
    own = raw.filter(pl.col("kind") == kind).sort("group")
    if own.is_empty():
        return None
    whole = column if column is not None and column not in WORDS else "bike_id"
    risk = expected_risk(prepared, rng, kind=whole, without=column if column in WORDS else None, work=work)
    counted = np.where(prepared.bleeds.get_column("mature").to_numpy(), risk, 0.0)
    sums = _expected(prepared.bleeds, column, work, counted)
    table = own.join(sums, on="group", how="left").with_columns(pl.col("expected").fill_null(0.0)).sort("group")
    return _compared(table, kind, rng)


def _expected(bleeds: pl.DataFrame, column: str | None, work: Work, risk: Numbers) -> pl.DataFrame:
    """The risk summed within each group, row after row."""
    if column is None:
        return pl.DataFrame({"group": ["all"], "expected": [np.bincount(np.zeros(len(risk), dtype=int), risk)[0]]})
    names = bleeds.get_column(column).fill_null("").unique().sort().replace("", NOT_RECORDED)
    sums = np.bincount(work.group(bleeds, column), risk, len(names))
    return pl.DataFrame({"group": names, "expected": sums}).group_by("group", maintain_order=True).sum()


def _compared(table: pl.DataFrame, kind: str, rng: np.random.Generator) -> pl.DataFrame:
    observed = table.get_column("comebacks").to_numpy().astype(float)
    expected = table.get_column("expected").to_numpy()
    mature = table.get_column("mature").to_numpy().astype(float)
    size = len(observed)
    names = ("ratio", "ratio_lo", "ratio_hi", "shrunk_rate", "shrunk_lo", "shrunk_hi", "funnel_lo", "funnel_hi",
             "p_value", "q_value", "rank_lo", "rank_hi")  # fmt: skip
    out = {name: np.full(size, np.nan) for name in names}
    known = expected > 0
    o, e = observed[known], expected[known]
    limits = exact_poisson_limits(o)
    out["ratio"][known], out["ratio_lo"][known], out["ratio_hi"][known] = o / e, limits.lo / e, limits.hi / e
    shrunk = gamma_poisson(o, e)
    scale = e / mature[known]
    for name, value in (
        ("shrunk_rate", shrunk.ratio),
        ("shrunk_lo", shrunk.quantile(0.025)),
        ("shrunk_hi", shrunk.quantile(0.975)),
    ):
        out[name][known] = np.clip(value * scale, 0, 1)
    enough = known & (expected >= LEAST_EXPECTED) & (mature >= LEAST_MATURE) & (kind != "all")
    if enough.sum() >= 2:
        _judge(out, enough, observed, expected)
        draws = shrunk.draws(DRAWS, rng)
        ranks = np.argsort(np.argsort(-draws, axis=1), axis=1) + 1
        out["rank_lo"][known], out["rank_hi"][known] = np.quantile(ranks, [0.025, 0.975], axis=0, method="nearest")
    signal = np.where(enough & (enough.sum() >= 2), "none", "too_few")
    called = enough & (np.nan_to_num(out["q_value"], nan=1.0) <= SIGNAL_Q)
    signal = np.where(called & (out["ratio"] > 1), "high", np.where(called & (out["ratio"] < 1), "low", signal))
    if kind == "all":
        signal = np.full(size, "none")
    return table.select("kind", "group", "expected").with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in out.items()), signal=pl.Series(signal)
    )


def _judge(out: dict[str, Numbers], enough: NDArray[np.bool_], observed: Numbers, expected: Numbers) -> None:
    o, e = observed[enough], expected[enough]
    tau2 = overdispersion(o, e).tau2 if len(o) >= 5 else 0.0
    out["funnel_lo"][enough], out["funnel_hi"][enough] = chance_limits(e, tau2=tau2)
    out["p_value"][enough] = two_sided_p(o, e, tau2)
    out["q_value"][enough] = benjamini_hochberg(out["p_value"][enough])


def _table(table: pl.DataFrame) -> DataFrame[Rates]:
    schema = empty(Rates).schema
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in table.columns]
    full = table.with_columns(absent).with_columns(pl.col("signal").fill_null("too_few"))
    return checked(Rates, full.select(schema.names()).sort("kind", "group"))
