"""Gauge studies with missing readings: estimates agree with the balanced ones, and limits cover the truth."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analysis.plan import GaugeStudy, gauge_study
from tests.plan.test_gauge_intervals import simulated

TRUE_SD = {"repeatability": 0.4, "items": 1.0, "gauge": 0.5}


def with_gaps(readings: pl.DataFrame, rng: np.random.Generator, share: float) -> pl.DataFrame:
    return readings.filter(pl.Series(rng.random(readings.height) < share))


def sd(study: GaugeStudy) -> dict[str, float]:
    return dict(study.table.select("source", "sd").iter_rows())


def test_reml_and_mean_squares_agree_where_a_study_is_nearly_balanced() -> None:
    """For balanced data with all components above 0 both are equal; one extra reading makes the study unbalanced."""
    rng = np.random.default_rng(8)
    full = simulated(rng)
    extra = full.head(1)
    nearly = gauge_study(pl.concat([full, extra]), rng, pool_above_p=0)
    balanced = gauge_study(full, rng, pool_above_p=0)
    assert not nearly.balanced
    for source in ("repeatability", "reproducibility", "items"):
        assert sd(nearly)[source] == pytest.approx(sd(balanced)[source], rel=0.03)


@pytest.fixture(scope="module")
def limits() -> pl.DataFrame:
    """Of 120 studies of 10 × 4 × 3 with a tenth of the readings lost."""
    rng = np.random.default_rng(21)
    return pl.concat(gauge_study(with_gaps(simulated(rng), rng, 0.9), rng).table for _ in range(120))


@pytest.mark.parametrize("source", TRUE_SD)
def test_limits_cover_the_truth_where_readings_are_missing(limits: pl.DataFrame, source: str) -> None:
    """95% limits, within a 99.9% binomial interval of 120."""
    covered = limits.filter(pl.col("lo") <= TRUE_SD[source], pl.col("hi") >= TRUE_SD[source], source=source).height
    assert 105 <= covered <= 120


def test_a_study_with_an_empty_pair_is_still_estimated() -> None:
    rng = np.random.default_rng(9)
    some = simulated(rng).filter(~((pl.col("item") == "i3") & (pl.col("technician") == "t1")))
    study = gauge_study(some, rng)
    assert not study.balanced
    assert sd(study)["repeatability"] == pytest.approx(0.4, rel=0.25)
    assert study.table.select((pl.col("lo") <= pl.col("sd")) & (pl.col("sd") <= pl.col("hi"))).to_series().all()


def test_identical_readings_have_no_variation() -> None:
    rows = [{"item": i, "technician": t, "reading": 20.0} for i in "ab" for t in "xy" for _ in range(2)]
    study = gauge_study(pl.DataFrame(rows), np.random.default_rng(1))
    assert set(study.table["sd"]) == {0.0}
    assert study.noise["reliability"].to_list() == [0.0] * 4


def test_reliability_is_the_items_share_of_the_variance() -> None:
    """The measurement manual's example, reduced: 1.042327² / (1.042327² + 0.302373²) = 0.92238; of the mean of two 0.93830."""
    from tests.reference.test_gauge import READINGS

    noise = gauge_study(READINGS, np.random.default_rng(1)).noise
    reliability = dict(noise.select("readings", "reliability").iter_rows())
    repeat, people, items = 0.199933**2, 0.226838**2, 1.042327**2
    for readings in (1, 2, 3, 5):
        assert reliability[readings] == pytest.approx(items / (items + people + repeat / readings), abs=1e-5)
    assert noise["sample_size_ratio"][0] == pytest.approx(1 / reliability[1])
