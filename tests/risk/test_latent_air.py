"""The air nobody sees: what readings tell of it together, against integrals by scipy and the air of a simulated workshop."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from scipy import integrate, stats

from analysis.risk.feature_table import FeatureTable
from analysis.risk.latent_air import NODES, REACH, READINGS, MeasurementModel, posterior
from synthetic import family, simulate
from tests.risk.simulated import Fitted, fitted

ANSWERS = MeasurementModel(
    np.array([0.3, 0.0, 3.0, 1.5]), np.array([2.0, 0.7, 6.0, 1.5]), np.array([1.1, 0.2, 1.0, 1.0])
)
NAMES = tuple(reading.field for reading in READINGS)


def by_integral(expected: float, variance: float, readings: np.ndarray) -> float:
    """The mean of the logarithm of the air, by densities and integrals of scipy's."""

    def joint(log_air: float) -> float:
        means = ANSWERS.intercept + ANSWERS.slope * np.exp(log_air)
        told = stats.norm.pdf(log_air, expected, np.sqrt(variance))
        for place in np.flatnonzero(np.isfinite(readings)):
            mean, reading = means[place], readings[place]
            counted = READINGS[place].is_count
            told *= (
                stats.poisson.pmf(reading, mean)
                if counted
                else stats.norm.pdf(reading, mean, np.sqrt(ANSWERS.noise[place]))
            )
        return float(told)

    ends, tight = (expected - 4, expected + 4), {"limit": 200, "points": [expected], "epsabs": 1e-10}
    return integrate.quad(lambda u: u * joint(u), *ends, **tight)[0] / integrate.quad(joint, *ends, **tight)[0]


@pytest.mark.parametrize(
    "readings",
    [(2.5, 0.5, 9, np.nan), (6.0, 2.0, 20, 5), (np.nan, np.nan, 4, np.nan), (np.nan,) * 4, (0.0, 0.5, 3, 2), (4.0, np.nan, np.nan, np.nan)],
)  # fmt: skip
def test_the_mean_of_the_air_is_the_integrals(readings: tuple[float, ...]) -> None:
    told = np.array(readings, dtype=float)
    for expected, variance in ((0.0, 0.15), (0.4, 0.08), (-0.3, 0.4)):
        belief = posterior(np.array([expected]), variance, ANSWERS, told[:, None])
        assert belief.mean(belief.log_air)[0] == pytest.approx(by_integral(expected, variance, told), abs=0.01)


def test_the_likeliest_air_is_where_work_and_readings_push_no_more() -> None:
    """Readings that agree or do not: the air is found, or the reach is at its end."""
    rng, variance = np.random.default_rng(7), 0.2
    expected = rng.normal(0.0, 0.5, 4000)
    readings = np.stack([rng.exponential(scale, 4000) for scale in (3.0, 1.0, 9.0, 4.0)])
    readings[rng.random(readings.shape) < 0.2] = np.nan
    at = posterior(expected, variance, ANSWERS, readings).log_air[len(NODES) // 2]
    shown = ANSWERS.observations(readings)
    push, known = (expected - at) / variance, np.full_like(at, 1 / variance)
    for place, one in shown.items():
        more, information = ANSWERS.score_terms(place, one, np.exp(at))
        push, known = push + more, known + information
    ended = np.abs(at - expected) > 0.999 * REACH * np.sqrt(variance)
    left = np.abs(push / known)[~ended]
    assert np.quantile(left, 0.99) < 1e-7
    assert left.max() < 1e-3
    assert ended.mean() < 0.05


@cache
def workshop() -> Fitted:
    return fitted(3000)


def told_air(**changed: float | None) -> np.ndarray:
    table = workshop().features.table
    for name, value in changed.items():
        table = table.with_columns(pl.lit(value).cast(table.schema[name]).alias(name))
    return workshop().model.air.with_air(FeatureTable(table)).numbers("air")


def test_readings_answer_to_air_as_the_workshop_made_them() -> None:
    """Pumping takes away 0.35 of the travel that air brings, and a travel is read with a standard deviation of 1 mm and
    to half a millimetre (`synthetic/signs.py`); 180 bubbles come a ml, where a ml takes 48 to 64 mm of travel."""
    answers = workshop().model.air.measurement
    travel, pumped, first, _ = answers.slope
    assert pumped / travel == pytest.approx(0.35, abs=0.04)
    assert 180 / 64 < first / travel < 180 / 48
    assert answers.noise[0] == pytest.approx(1 + 0.5**2 / 12, rel=0.2)
    assert answers.noise[2] == pytest.approx(1.0, abs=0.15)


def test_all_readings_together_tell_the_air_better_than_any_alone() -> None:
    world = simulate(family("base", 3000), 3)
    table = workshop().features.table
    true = np.log(table.select("session_id").join(world.truth_bleeds, on="session_id", how="left")["air_ml"].to_numpy())

    def explained(values: np.ndarray) -> float:
        known = np.isfinite(values)
        return float(np.corrcoef(values[known], true[known])[0, 1] ** 2)

    alone = [explained(np.log1p(np.maximum(FeatureTable(table).numbers(name), 0.0))) for name in NAMES]
    assert explained(told_air()) > max(alone) + 0.1


@pytest.mark.parametrize("name", NAMES)
def test_more_of_any_reading_never_means_less_air(name: str) -> None:
    ladder = [told_air(**{name: value}) for value in (1.0, 2.0, 5.0, 12.0, 40.0)]
    assert all((after - before >= -1e-6).all() for before, after in pairwise(ladder))


def test_a_reading_far_from_all_others_is_taken_for_misread() -> None:
    usual, far, farther = (
        told_air(travel_excess_mm=value, pump_gain_mm=0.5, bubbles_first=5) for value in (2.0, 40.0, 400.0)
    )
    assert (far - usual).mean() < 2.0
    assert np.abs(farther - far).mean() < 1e-3


def test_a_bleed_without_readings_is_told_by_its_work() -> None:
    bare = told_air(**dict.fromkeys(NAMES))
    air, cells = workshop().model.air, FeatureTable(workshop().features.table)
    expected = air.expected(air.inputs.transform(cells))
    assert bare == pytest.approx((expected - air.centre) / air.scale, abs=1e-9)
