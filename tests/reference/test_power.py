"""Sample sizes and power against published numbers.

Sources
- R's power.prop.test and Stata, as kept in statsmodels' own tests of two proportions: .50 v .75 at power .9: 76.7069 per
  arm; .50 v .65 with 83.4373: .5; .001 v .015 with 550: .7415600; .10 v .20 with 154 and 308: .7995659.
- J. L. Fleiss, Statistical Methods for Rates and Proportions, alpha .05, power .80: .10 v .20: 199, corrected 219;
  .05 v .10: 435, corrected 474 (from memory; the arithmetic agrees).
- NIST/SEMATECH e-Handbook 7.2.4.2: .10 against .20, one-sided .05, power .90: 102 (from memory; formula read there).
- Kish's design effect 1 + (m - 1) rho: m 20, rho .05: 1.95.
- statsmodels is the second opinion on power and on the Wilson interval.
"""

import math

import pytest
from statsmodels.stats.proportion import power_proportions_2indep, proportion_confint

from analysis.plan import (
    bleeds_per_arm,
    continuity_corrected_size,
    design_effect,
    one_rate_bleeds,
    precise_rate_bleeds,
    two_arm_power,
)


def test_bleeds_for_a_half_against_three_quarters():
    assert bleeds_per_arm(0.50, 0.75, power=0.9) == pytest.approx(76.70692846, abs=1e-6)  # printed digits


@pytest.mark.parametrize(
    ("rates", "bleeds", "power"),
    [
        ((0.50, 0.65), (83.4373, 83.4373), 0.5),
        ((0.001, 0.015), (550, 550), 0.74156),
        ((0.1, 0.2), (154, 308), 0.7995659),
    ],
)
def test_power_matches_the_published_values(rates, bleeds, power):
    assert two_arm_power(*rates, *bleeds) == pytest.approx(power, abs=5e-6)  # printed digits


def test_power_agrees_with_an_independent_library():
    theirs = power_proportions_2indep(0.05, 0.05, 700, return_results=False)
    assert two_arm_power(0.10, 0.05, 700, 700) == pytest.approx(theirs, abs=1e-6)


@pytest.mark.parametrize(("rates", "plain", "corrected"), [((0.1, 0.2), 199, 219), ((0.05, 0.10), 435, 474)])
def test_sizes_match_the_table_of_fleiss(rates, plain, corrected):
    bleeds = bleeds_per_arm(*rates)
    assert math.ceil(bleeds) == plain
    assert math.ceil(continuity_corrected_size(bleeds, *rates)) == corrected


def test_one_rate_against_a_known_one():
    assert math.ceil(one_rate_bleeds(0.10, 0.20)) == 102


def test_the_design_effect_of_weeks():
    assert design_effect(20, 0.05) == pytest.approx(1.95)


def test_a_precise_rate_has_the_smallest_sufficient_size():
    bleeds = precise_rate_bleeds(0.06, 0.02)
    for n, meets in ((bleeds, True), (bleeds - 1, False)):
        lo, hi = proportion_confint(0.06 * n, n, method="wilson")
        assert ((hi - lo) / 2 <= 0.02) is bool(meets)
