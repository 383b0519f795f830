"""Terminal digits against published counts.

Sources
- Digits of pi: the first 1000 decimals hold 93 116 103 102 93 97 94 95 101 106 of 0 to 9 (chi-square 4.74, p .8564):
  a clean control, counts public and recomputed.
- Self-reported weights: last digits 35 0 2 1 4 24 1 4 7 2 of 80 people (M. Triola, Elementary Statistics, the chapter
  on goodness of fit; counts from memory, arithmetic agrees): chi-square 156.5, rejected.
"""

import numpy as np
import polars as pl
import pytest

from analysis.people.digit_preference import digit_chi_square, digit_findings
from analysis.people.entries import recorded_values

PI = np.array([93, 116, 103, 102, 93, 97, 94, 95, 101, 106])
WEIGHTS = np.array([35, 0, 2, 1, 4, 24, 1, 4, 7, 2])


def ending_in(counts):
    """Readings of one technician whose last digits come as often as given, their tens spread evenly."""
    digits = np.repeat(np.arange(10), counts)
    tens = np.arange(len(digits)) * 7 % 10
    bleeds = pl.DataFrame({"technician": "Wren", "lever_travel_after_mm": (10.0 * tens + digits)})
    return bleeds.with_columns(session_id=pl.int_range(pl.len()).cast(pl.String))


def test_the_digits_of_pi_are_even():
    matches = digit_chi_square(PI)
    assert matches.statistic == pytest.approx(4.74, abs=5e-3)
    assert matches.p_value == pytest.approx(0.8564, abs=5e-5)


def test_self_reported_weights_are_not():
    matches = digit_chi_square(WEIGHTS)
    assert matches.statistic == pytest.approx(156.5, abs=0.05)
    assert matches.p_value < 1e-20


@pytest.mark.parametrize(("counts", "matches"), [(PI, False), (WEIGHTS, True)])
def test_only_favourites_are_found_among_readings(counts, matches):
    (finding,) = digit_findings(recorded_values(ending_in(counts), ("lever_travel_after_mm",)))
    assert (finding.p_value < 0.001) is matches
