"""Observed over expected: indirect standardisation and its exact limits, against published numbers.

Sources
- A public-health agency's test sheet, nineteen age bands (as kept in the R package PHEindicatormethods): expected
  835.8835612311743; ratios and limits of 895, 91 and 9 events. The sheet uses Byar's limits from 10 events on.
- N. E. Breslow & N. E. Day 1987, volume II, Welsh nickel workers: 137 events, 24.19893 expected (input read in the
  documentation of R's poisson.test; limits recomputed, and by statsmodels).
- statsmodels' own tests of Poisson rates (values there from R's DescTools and exactci): 15 events in 400.
- The test of standardised mortality ratios in the library esda: one area against a standard of four strata, 38.2 expected.
"""

import numpy as np
import pytest
from statsmodels.stats.rates import confint_poisson

from analysis.rates import build_case_mix, leave_group_out
from analysis.stats import byar_limits, exact_poisson_limits
from tests.rates.bare import bare

POPULATION = (636, 558, 609, 543, 384, 594, 669, 843, 660, 576, 606, 522, 426, 273, 300, 288, 153, 123, 207)
EVENTS = (
    10303, 2824, 0, 3615, 3641, 3490, 3789, 3213, 3031, 2771, 3089, 3490, 3595, 4745, 5514, 7125, 5694, 6210, 5757,
)  # fmt: skip
STANDARD = (
    50520, 57173, 60213, 54659, 44345, 50128, 62163, 67423, 62899, 55463, 60479, 49974, 44140, 40888, 37239, 30819,
    18136, 15325, 13918,
)  # fmt: skip
EXPECTED = float((np.array(POPULATION) * np.array(EVENTS) / np.array(STANDARD)).sum())


def test_the_sheets_expected_events():
    assert pytest.approx(835.8835612311743, rel=1e-12) == EXPECTED  # printed to rounding error


@pytest.mark.parametrize(
    ("observed", "level", "limits"),
    [
        (895, 0.95, (1.0017147712553987, 1.143233287249895)),
        (895, 0.998, (0.9635155619614437, 1.1860070415876287)),
        (91, 0.95, (0.08765040101829405, 0.1336657632841891)),
    ],
)
def test_byars_limits_of_a_ratio_match_the_sheet(observed, level, limits):
    result = byar_limits(observed, level)
    assert (float(result.lo) / EXPECTED, float(result.hi) / EXPECTED) == pytest.approx(limits, abs=1e-10)


@pytest.mark.parametrize(
    ("observed", "level", "limits"),
    [
        (9, 0.95, (0.004923380825095776, 0.02043921455549973)),
        (9, 0.998, (0.0029339306550682617, 0.02710589651469021)),
    ],
)
def test_exact_limits_of_a_ratio_match_the_sheet(observed, level, limits):
    result = exact_poisson_limits(observed, level)
    assert (float(result.lo) / EXPECTED, float(result.hi) / EXPECTED) == pytest.approx(limits, abs=1e-10)


def test_exact_limits_of_many_events_are_close_to_byars():
    result = exact_poisson_limits(895)
    assert (float(result.lo) / EXPECTED, float(result.hi) / EXPECTED) == pytest.approx(
        (1.00171543, 1.14323273), abs=5e-9
    )


def test_the_welsh_nickel_workers():
    result = exact_poisson_limits(137)
    assert round(137 / 24.19893, 6) == 5.661407
    assert (float(result.lo) / 24.19893, float(result.hi) / 24.19893) == pytest.approx((4.753125, 6.692709), abs=5e-7)
    second = confint_poisson(137, 24.19893, method="exact-c")
    assert (float(result.lo) / 24.19893, float(result.hi) / 24.19893) == pytest.approx(second, rel=1e-10)


def test_fifteen_events_in_four_hundred():
    exact = exact_poisson_limits(15)
    assert (float(exact.lo) / 400, float(exact.hi) / 400) == pytest.approx(
        (0.0209884653319583, 0.0618505471787146), rel=1e-12
    )


def test_the_case_mix_model_standardises_indirectly():
    """One area and the standard as two pairs of hands: each is expected to do as the other does with the same work."""
    cells = {"Area": ((30, 100), (25, 100), (25, 110), (15, 90)), "Standard": ((100, 1000), (45, 900), (120, 1000), (100, 900))}  # fmt: skip
    rows = [(who, str(k), n < y) for who, strata in cells.items() for k, (y, many) in enumerate(strata) for n in range(many)]  # fmt: skip
    who, stratum, back = (np.array(column) for column in zip(*rows, strict=True))
    world = bare(back, technician=who, brake_model=stratum)
    groups = leave_group_out(world, "technician", build_case_mix(world.bleeds), np.random.default_rng(1))
    expected = groups.expectation().expected
    area = sum(n * y / m for (_, n), (y, m) in zip(cells["Area"], cells["Standard"], strict=True))
    others = sum(n * y / m for (_, n), (y, m) in zip(cells["Standard"], cells["Area"], strict=True))
    assert area == pytest.approx(38.2)  # the library's number
    assert expected == pytest.approx([area, others], rel=0.04)  # the model's ridge pulls four strata together a little
