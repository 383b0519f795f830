"""Limits of shares and counts, and false discovery, against published numbers.

Sources
- R. G. Newcombe 1998, Stat. Med. 17:857-872, Table I, 95%: Wilson and Clopper-Pearson for 81/263, 15/148, 0/20, 1/29.
- A public-health agency's test sheet (as kept in the R package PHEindicatormethods): Wilson for 65/100 and 1045/5000,
  Byar for 65, 1 and 1045.
- statsmodels' own tests: 19/38 Wilson.
- NIST/SEMATECH e-Handbook 7.2.4: 4 of 20, 90% exact 0.071354 to 0.401029 (input read there, limits from memory).
- F. Garwood 1936, Biometrika 28:437-442: exact limits of counts 0 to 5 and 10 (digits recomputed; first ones read in
  the agency's sheet).
- Y. Benjamini & Y. Hochberg 1995, J. R. Stat. Soc. B 57:289, section 3.2: fifteen p-values of a trial, four rejected.
statsmodels is the second opinion on each.
"""

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from analysis.stats import benjamini_hochberg, byar_limits, exact_binomial_limits, exact_poisson_limits, wilson

COUNTS = ([81, 15, 0, 1], [263, 148, 20, 29])
THROMBOLYSIS = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
]  # fmt: skip


def test_wilson_matches_newcombes_table():
    limits = wilson(*COUNTS)
    assert limits.lo == pytest.approx([0.2553, 0.0624, 0, 0.0061], abs=5e-5)  # four printed decimals
    assert limits.hi == pytest.approx([0.3662, 0.1605, 0.1611, 0.1718], abs=5e-5)


def test_exact_limits_match_newcombes_table():
    limits = exact_binomial_limits(*COUNTS)
    assert limits.lo == pytest.approx([0.2527, 0.0578, 0, 0.0009], abs=5e-5)
    assert limits.hi == pytest.approx([0.3676, 0.1617, 0.1684, 0.1776], abs=5e-5)


@pytest.mark.parametrize(
    ("counts", "level", "limits"),
    [
        ((65, 100), 0.95, (0.5525444328689797, 0.7363575175690247)),
        ((65, 100), 0.998, (0.4954946574070431, 0.7783540614089697)),
        ((1045, 5000), 0.95, (0.19795549880013297, 0.22049130373189027)),
        ((19, 38), 0.95, (0.348499283643951, 0.651500716356049)),
    ],
)
def test_wilson_matches_the_agencys_sheet(counts, level, limits):
    result = wilson(*counts, level=level)
    assert (float(result.lo), float(result.hi)) == pytest.approx(limits, abs=1e-9)  # printed to rounding error


def test_wilson_limits_are_within_zero_and_one():
    limits = wilson([0, 38], [77, 38])
    assert limits.lo[0] == 0
    assert limits.hi[1] == 1


def test_wilson_of_no_trials_is_unknown():
    assert np.isnan(wilson(0, 0).lo)


def test_wilson_agrees_with_an_independent_library():
    lo, hi = proportion_confint(np.array(COUNTS[0]), np.array(COUNTS[1]), method="wilson")
    limits = wilson(*COUNTS)
    assert limits.lo == pytest.approx(lo, abs=1e-12)
    assert limits.hi == pytest.approx(hi, abs=1e-12)


def test_the_handbooks_exact_limits_of_four_in_twenty():
    limits = exact_binomial_limits(4, 20, level=0.90)
    assert (float(limits.lo), float(limits.hi)) == pytest.approx((0.071354, 0.401029), abs=1e-5)


def test_garwoods_limits_of_small_counts():
    limits = exact_poisson_limits([0, 1, 2, 3, 4, 5, 10])
    assert limits.lo == pytest.approx(
        [0, 0.02531781, 0.24220928, 0.61867212, 1.08986537, 1.62348639, 4.79538870], abs=5e-9
    )
    assert limits.hi == pytest.approx(
        [3.68887945, 5.57164339, 7.22468767, 8.76727307, 10.24158868, 11.66833208, 18.39035604], abs=5e-9
    )


def test_byars_limits_match_the_agencys_sheet():
    limits = byar_limits([65, 1, 1045])
    assert limits.lo == pytest.approx([50.163187710459454, 0.01307213290150435, 982.5932018073325], rel=1e-10)
    assert limits.hi == pytest.approx([82.84913854593984, 5.5637555824752605, 1110.33121298565], rel=1e-10)


def test_benjamini_and_hochbergs_own_example_rejects_four():
    q = benjamini_hochberg(THROMBOLYSIS)
    assert (q <= 0.05).sum() == 4
    assert q[:4] == pytest.approx([0.0015, 0.0030, 0.0095, 0.0356], abs=5e-5)
    assert q == pytest.approx(multipletests(THROMBOLYSIS, method="fdr_bh")[1], abs=1e-12)


def test_an_unknown_p_value_stays_unknown_and_does_not_count_as_a_test():
    q = benjamini_hochberg([0.01, np.nan, 0.02])
    assert np.isnan(q[1])
    assert q[0] == pytest.approx(0.02)
