"""Gauge study: repeatability and reproducibility of a reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.plan.variance_components import Components, balanced_components, gauge_data, unbalanced_components
from analysis.stats import FloatArray
from schemas import empty, validate_table
from schemas.outputs import Gauge, GaugeNoise

AVERAGED = (1, 2, 3, 5)
"""Numbers of readings averaged, for the reliability."""
CATEGORY_FACTOR = 2**0.5
"""Distinct categories: √2 × standard deviation of items over that of the gauge, rounded down (measurement systems
analysis manual, from memory)."""


@dataclass(frozen=True)
class GaugeStudy:
    """Result of a gauge study.

    `table` holds standard deviations by source with 95% limits; `noise` the reliability of a reading;
    `distinct_categories` the groups of items it can separate; `interaction_p` the p-value of technician × item and
    `interaction_pooled` whether it was pooled with repeatability; `balanced` whether every technician read every item
    equally often.
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
    """Estimate the sources of variation of a reading.

    Estimand: standard deviations of repeatability (same technician, same item), reproducibility (between technicians,
    including their interaction with items), gauge (both), items, and total. Balanced studies by two-way random-effects
    analysis of variance, others by restricted maximum likelihood. Limits by generalised pivotal quantities (Weerahandi
    1993), or by a parametric bootstrap where a technician did not read every item.

    Parameters
    ----------
    readings
        Columns item, technician (text) and reading (number), one row per reading; at least two items, two technicians
        and one repeat.
    rng
        Random generator.
    tolerance
        Width of the tolerance, in the unit of the reading, for share_of_tolerance (6 standard deviations over it).
    pool_above_p
        Pool the interaction with repeatability when its p-value is above this (0.25: measurement systems analysis
        manual, from memory); 0 always pools, 1 never does.

    Raises
    ------
    ValueError
        Fewer than two items, two technicians or one repeat.
    """
    readings = readings.drop_nulls(["item", "technician", "reading"])
    _check_repeats(readings)
    study = gauge_data(readings)
    components = (balanced_components if study.balanced else unbalanced_components)(study, rng, pool_above_p)
    sd, draws = _sd_by_source(components.variances), _sd_by_source(components.draws)
    table = _gauge_table(sd, draws, tolerance)
    gauge_share = float(sd[2, 0] / sd[5, 0]) if sd[5, 0] > 0 else 0.0
    categories = int(CATEGORY_FACTOR * sd[4, 0] / sd[2, 0]) if sd[2, 0] > 0 else 0
    return GaugeStudy(
        table=validate_table(Gauge, table),
        noise=_noise_table(components),
        distinct_categories=categories,
        interaction_p=components.interaction_p,
        interaction_pooled=components.pooled,
        balanced=study.balanced,
        readings=readings.height,
        verdict=_verdict_text(gauge_share, categories),
    )


SOURCES = ("repeatability", "reproducibility", "gauge", "interaction", "items", "total")


def _sd_by_source(variances: Components | FloatArray) -> FloatArray:
    """Standard deviations by source (sources × draws) from variances in rows: repeatability, technician,
    interaction, item.
    """
    repeat, technician, interaction, item = np.atleast_2d(np.asarray(variances, dtype=float).T).T
    reproduced = technician + interaction
    gauge = repeat + reproduced
    return np.sqrt(np.stack([repeat, reproduced, gauge, interaction, item, gauge + item]))


def _gauge_table(sd: FloatArray, draws: FloatArray, tolerance: float | None) -> pl.DataFrame:
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


def _noise_table(components: Components) -> DataFrame[GaugeNoise]:
    """Reliability: share of the items' variance in the variance of a reading.

    Measurement error weakens the slope of a risk on the reading by this factor and the sample size for detecting it
    grows by its inverse (W. A. Fuller 1987, Measurement Error Models, chapter 1; to first order, for risks not near 1).
    The items of the study represent the bleeds of the shop.
    """
    reliability = [_reliability(components.variances[:, None], k)[0] for k in AVERAGED]
    limits = [np.quantile(_reliability(components.draws, k), [0.025, 0.975]) for k in AVERAGED]
    table = {
        "readings": AVERAGED,
        "reliability": reliability,
        "lo": [min(float(lo), value) for value, (lo, _) in zip(reliability, limits, strict=True)],
        "hi": [max(float(hi), value) for value, (_, hi) in zip(reliability, limits, strict=True)],
        "sample_size_ratio": [1 / value if value > 0 else None for value in reliability],
    }
    return validate_table(GaugeNoise, pl.DataFrame(table, schema=empty(GaugeNoise).schema))


def _reliability(variances: FloatArray, readings: int) -> FloatArray:
    repeat, technician, interaction, item = variances
    total = item + technician + interaction + repeat / readings
    return np.where(total > 0, item / np.where(total > 0, total, 1), 0.0)


def _verdict_text(gauge_share: float, categories: int) -> str:
    """Bands of the measurement systems analysis manual, from memory: under 10% good, 10-30% conditional, over 30%
    not good enough.
    """
    if categories < 2:
        sorted_into = "it cannot sort the items into distinct categories"
    else:
        sorted_into = f"it sorts the items into {'only ' if categories < 5 else ''}{categories} distinct categories"
    if gauge_share < 0.10:
        return f"Trust the reading: measurement error adds little to the variation; {sorted_into}."
    if gauge_share <= 0.30 and categories >= 2:
        return f"Use the reading with care: measurement error adds to the variation; {sorted_into}."
    return f"Do not judge a brake by a single reading: too much of the variation is measurement error; {sorted_into}."


def _check_repeats(readings: pl.DataFrame) -> None:
    items, technicians = readings.n_unique("item"), readings.n_unique("technician")
    cells = readings.select("item", "technician").n_unique()
    if items < 2 or technicians < 2 or readings.height <= cells:
        raise ValueError(
            f"found {items} items, {technicians} technicians and {readings.height} readings of {cells} pairs; expected at "
            "least two items, two technicians and one repeated reading: take more readings"
        )
