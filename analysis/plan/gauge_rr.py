"""Can a reading be trusted: repeatability and reproducibility of a measurement by analysis of variance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.plan.gauge_data import gauge_data
from analysis.plan.reml import unbalanced_components
from analysis.plan.variance_components import Components, balanced_components
from schemas import empty, validate_table
from schemas.outputs import Gauge, GaugeNoise

FloatArray = NDArray[np.float64]
AVERAGED = (1, 2, 3, 5)
CATEGORY_FACTOR = 2**0.5
"""Distinct categories: √2 × part spread over gauge spread, cut to a whole number (the trade's measurement manual)."""


@dataclass(frozen=True)
class GaugeStudy:
    """A finished study.

    `table` holds the spread by source with 95% limits; `noise` what the spread of measuring costs whoever foretells
    comebacks from the reading; `distinct_categories` how many groups of items the reading can tell apart; `interaction_p` the p-value of technician × item, and `interaction_pooled` whether it was left out for
    being no larger than chance; `balanced` whether every technician read every item equally often.
    """

    table: DataFrame[Gauge]
    noise: DataFrame[GaugeNoise]
    distinct_categories: int
    interaction_p: float | None
    interaction_pooled: bool
    balanced: bool
    readings: int
    verdict: str


def gauge_study(
    readings: pl.DataFrame,
    rng: np.random.Generator,
    *,
    tolerance: float | None = None,
    pool_above_p: float = 0.25,
) -> GaugeStudy:
    """Where the spread of a reading comes from.

    Estimand: standard deviations of repeatability (same technician, same item), reproducibility (between technicians,
    their interaction with items included), the gauge (both together), the items, and the total. Balanced studies by
    two-way random-effects analysis of variance, others by restricted maximum likelihood; limits by generalised
    pivotal draws (Weerahandi 1993), or a parametric bootstrap where somebody did not read every item.

    Parameters
    ----------
    readings
        Columns item, technician (text) and reading (number), one row a reading; at least two of each.
    rng
        For the interval draws.
    tolerance
        Width of the tolerance in the reading's unit, for share_of_tolerance (6 standard deviations over it).
    pool_above_p
        The interaction is pooled with repeatability when its p-value is above this (0.25: the measurement systems
        analysis manual's rule, from memory); 0 always pools, 1 never does.

    Raises
    ------
    ValueError
        Fewer than two items, technicians or repeats: the spread cannot be told apart.
    """
    readings = readings.drop_nulls(["item", "technician", "reading"])
    _refuse_too_little(readings)
    study = gauge_data(readings)
    components = (balanced_components if study.balanced else unbalanced_components)(study, rng, pool_above_p)
    sd, draws = _sd_by_source(components.variances), _sd_by_source(components.draws)
    table = _table(sd, draws, tolerance)
    gauge_share = float(sd[2, 0] / sd[5, 0]) if sd[5, 0] > 0 else 0.0
    categories = int(CATEGORY_FACTOR * sd[4, 0] / sd[2, 0]) if sd[2, 0] > 0 else 0
    return GaugeStudy(
        table=validate_table(Gauge, table),
        noise=_noise(components),
        distinct_categories=categories,
        interaction_p=components.interaction_p,
        interaction_pooled=components.pooled,
        balanced=study.balanced,
        readings=readings.height,
        verdict=_verdict(gauge_share, categories),
    )


SOURCES = ("repeatability", "reproducibility", "gauge", "interaction", "items", "total")


def _sd_by_source(variances: Components | FloatArray) -> FloatArray:
    """Standard deviations by source from variances (repeatability, technician, interaction, item) in rows."""
    repeat, technician, interaction, item = np.atleast_2d(np.asarray(variances, dtype=float).T).T
    reproduced = technician + interaction
    gauge = repeat + reproduced
    return np.sqrt(np.stack([repeat, reproduced, gauge, interaction, item, gauge + item]))


def _table(sd: FloatArray, draws: FloatArray, tolerance: float | None) -> pl.DataFrame:
    lo, hi = np.quantile(draws, [0.025, 0.975], axis=1)
    total = sd[5, 0]
    return pl.DataFrame(
        {
            "source": SOURCES,
            "sd": sd[:, 0],
            "lo": np.minimum(lo, sd[:, 0]),
            "hi": np.maximum(hi, sd[:, 0]),
            "share_of_total": sd[:, 0] / total if total > 0 else [None] * len(SOURCES),
            "share_of_tolerance": 6 * sd[:, 0] / tolerance if tolerance else [None] * len(SOURCES),
        },
        schema_overrides={"share_of_total": pl.Float64, "share_of_tolerance": pl.Float64},
    )


def _noise(components: Components) -> DataFrame[GaugeNoise]:
    """Reliability: the items' share of a reading's variance.

    A slope fitted on a noisy reading is flattened by it, and what the reading tells shrinks by it, so that one over it
    times the bleeds are needed (W. A. Fuller 1987, Measurement Error Models, chapter 1; to first order, for risks that
    are not near 1). The items of the study stand for the bleeds of the shop.
    """
    reliability = [_reliability(components.variances[:, None], k)[0] for k in AVERAGED]
    limits = [np.quantile(_reliability(components.draws, k), [0.025, 0.975]) for k in AVERAGED]
    table = {
        "readings": AVERAGED,
        "reliability": reliability,
        "lo": [min(float(lo), one) for one, (lo, _) in zip(reliability, limits, strict=True)],
        "hi": [max(float(hi), one) for one, (_, hi) in zip(reliability, limits, strict=True)],
        "sample_size_ratio": [1 / one if one > 0 else None for one in reliability],
    }
    return validate_table(GaugeNoise, pl.DataFrame(table, schema=empty(GaugeNoise).schema))


def _reliability(variances: FloatArray, readings: int) -> FloatArray:
    repeat, technician, interaction, item = variances
    total = item + technician + interaction + repeat / readings
    return np.where(total > 0, item / np.where(total > 0, total, 1), 0.0)


def _verdict(gauge_share: float, categories: int) -> str:
    """The measurement manual's bands: under 10% good, 10-30% may do, over 30% not good enough (from memory)."""
    tells = "one group only" if categories < 2 else f"{categories} groups of items apart"
    if gauge_share < 0.10:
        return f"Trust the reading: measuring adds little to the spread, and it tells {tells}."
    if gauge_share <= 0.30 and categories >= 2:
        return f"Use the reading with care: measuring adds to the spread, and it tells {tells}."
    return f"Do not lean on a single reading: too much of the spread is the measuring itself, and it tells {tells}."


def _refuse_too_little(readings: pl.DataFrame) -> None:
    items, technicians = readings.n_unique("item"), readings.n_unique("technician")
    cells = readings.select("item", "technician").n_unique()
    if items < 2 or technicians < 2 or readings.height <= cells:
        raise ValueError(
            f"readings: at least two items, two technicians and one repeat are needed, got {items} items, "
            f"{technicians} technicians, {readings.height} readings in {cells} pairs; measure again"
        )
