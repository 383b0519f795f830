"""Latent air: the posterior against numerical integrals by scipy, and the fit against a simulated workshop's true air."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from scipy import integrate, stats

from analysis.risk.feature_table import FeatureTable
from analysis.risk.latent_air import MAX_MODE_SHIFT, NODES, READINGS, MeasurementModel, posterior
from synthetic import scenario_workshop, simulate
from tests.risk.simulated import Fitted, fitted

MEASUREMENT = MeasurementModel(
    np.array([0.3, 0.0, 3.0, 1.5]), np.array([2.0, 0.7, 6.0, 1.5]), np.array([1.1, 0.2, 1.0, 1.0])
)
NAMES = tuple(reading.field for reading in READINGS)


def by_integral(expected: float, variance: float, readings: np.ndarray) -> float:
    """Posterior mean of log air by scipy's densities and quadrature."""

    def joint(log_air: float) -> float:
        means = MEASUREMENT.intercept + MEASUREMENT.slope * np.exp(log_air)
        density = stats.norm.pdf(log_air, expected, np.sqrt(variance))
        for index in np.flatnonzero(np.isfinite(readings)):
            mean, reading = means[index], readings[index]
            counted = READINGS[index].is_count
            density *= (
                stats.poisson.pmf(reading, mean)
                if counted
                else stats.norm.pdf(reading, mean, np.sqrt(MEASUREMENT.noise[index]))
            )
        return float(density)

    ends, tight = (expected - 4, expected + 4), {"limit": 200, "points": [expected], "epsabs": 1e-10}
    return integrate.quad(lambda u: u * joint(u), *ends, **tight)[0] / integrate.quad(joint, *ends, **tight)[0]


@pytest.mark.parametrize(
    "readings",
    [(2.5, 0.5, 9, np.nan), (6.0, 2.0, 20, 5), (np.nan, np.nan, 4, np.nan), (np.nan,) * 4, (0.0, 0.5, 3, 2), (4.0, np.nan, np.nan, np.nan)],
)  # fmt: skip
def test_the_posterior_mean_equals_the_integral(readings: tuple[float, ...]) -> None:
    values = np.array(readings, dtype=float)
    for expected, variance in ((0.0, 0.15), (0.4, 0.08), (-0.3, 0.4)):
        air = posterior(np.array([expected]), variance, MEASUREMENT, values[:, None])
        assert air.mean(air.log_air)[0] == pytest.approx(by_integral(expected, variance, values), abs=0.01)


def test_the_score_is_zero_at_the_posterior_mode() -> None:
    """For consistent and contradictory readings; the mode may also be at the limit of the search."""
    rng, variance = np.random.default_rng(7), 0.2
    expected = rng.normal(0.0, 0.5, 4000)
    readings = np.stack([rng.exponential(scale, 4000) for scale in (3.0, 1.0, 9.0, 4.0)])
    readings[rng.random(readings.shape) < 0.2] = np.nan
    at = posterior(expected, variance, MEASUREMENT, readings).log_air[len(NODES) // 2]
    observations = MEASUREMENT.observations(readings)
    score, information = (expected - at) / variance, np.full_like(at, 1 / variance)
    for index, one in observations.items():
        term, information_term = MEASUREMENT.score_terms(index, one, np.exp(at))
        score, information = score + term, information + information_term
    at_limit = np.abs(at - expected) > 0.999 * MAX_MODE_SHIFT * np.sqrt(variance)
    remaining = np.abs(score / information)[~at_limit]
    assert np.quantile(remaining, 0.99) < 1e-7
    assert remaining.max() < 1e-3
    assert at_limit.mean() < 0.05


@cache
def workshop() -> Fitted:
    return fitted(3000)


def air_scores(**changed: float | None) -> np.ndarray:
    table = workshop().features
    for name, value in changed.items():
        table = table.with_columns(pl.lit(value).cast(table.schema[name]).alias(name))
    return workshop().model.air.with_air(FeatureTable(table)).numbers("air")


def test_the_measurement_model_is_that_of_the_simulation() -> None:
    """Pumping takes away 0.35 of the travel that air brings, and a travel is read with a standard deviation of 1 mm and
    to half a millimetre (`synthetic/signs.py`); 180 bubbles come a ml of the air in the first pass, where a ml takes 48 to 64 mm of travel. Later
    misses add air that only the travel shows, so fewer bubbles come for a mm of travel at the end."""
    measurement = workshop().model.air.measurement
    travel, pumped, first, _ = measurement.slope
    assert pumped / travel == pytest.approx(0.35, abs=0.04)
    assert 1 < first / travel < 180 / 64
    assert measurement.noise[0] == pytest.approx(1 + 0.5**2 / 12, rel=0.2)
    assert 1 < measurement.noise[2] < 2  # beyond Poisson, as later misses add air after the count


def test_all_readings_together_show_the_air_better_than_any_alone() -> None:
    world = simulate(scenario_workshop("base", 3000), 3)
    table = workshop().features
    sessions = workshop().sessions.to_frame()
    true = np.log(sessions.join(world.truth_bleeds, on="session_id", how="left")["air_ml"].to_numpy())

    def explained(values: np.ndarray) -> float:
        information = np.isfinite(values)
        return float(np.corrcoef(values[information], true[information])[0, 1] ** 2)

    alone = [explained(np.log1p(np.maximum(FeatureTable(table).numbers(name), 0.0))) for name in NAMES]
    assert explained(air_scores()) > max(alone) + 0.1


@pytest.mark.parametrize("name", NAMES)
def test_more_of_any_reading_never_means_less_air(name: str) -> None:
    ladder = [air_scores(**{name: value}) for value in (1.0, 2.0, 5.0, 12.0, 40.0)]
    assert all((after - before >= -1e-6).all() for before, after in pairwise(ladder))


def test_an_outlying_reading_has_a_bounded_effect() -> None:
    usual, far, farther = (
        air_scores(travel_excess_mm=value, pump_gain_mm=0.5, bubbles_first=5) for value in (2.0, 40.0, 400.0)
    )
    assert (far - usual).mean() < 2.0
    assert np.abs(farther - far).mean() < 1e-3


def test_a_bleed_without_readings_has_the_prior_mean_of_its_work() -> None:
    bare = air_scores(**dict.fromkeys(NAMES))
    air, features = workshop().model.air, FeatureTable(workshop().features)
    expected = air.prior_mean(air.inputs.transform(features))
    assert bare == pytest.approx((expected - air.centre) / air.scale, abs=1e-9)
