"""What an exposure costs a whole population, by indirect standardisation and by g-computation: one number two ways.

Source: SAS/STAT User's Guide, PROC STDRATE, the factory example (events and counts by age and exposure); its
standardised ratio is computed here from the printed table.
"""

import numpy as np
import pytest

from analysis.steps import aipw_terms

EXPOSED = ((31, 352), (57, 486), (62, 538), (50, 455), (38, 322), (9, 68))
OTHERS = ((143, 2626), (392, 4124), (459, 4662), (337, 3622), (199, 2155), (35, 414))


def test_the_attributable_fraction_is_the_exposed_share_of_cases_times_one_minus_the_inverse_ratio():
    ages, exposed, events = [], [], []
    for group, cells in ((1.0, EXPOSED), (0.0, OTHERS)):
        for age, (cases, count) in enumerate(cells):
            ages += [age] * count
            exposed += [group] * count
            events += [1.0] * cases + [0.0] * (count - cases)
    age, a, y = np.array(ages), np.array(exposed), np.array(events)
    risk = np.array([cases / count for cases, count in OTHERS])[age]
    chance = np.array([e[1] / (e[1] + o[1]) for e, o in zip(EXPOSED, OTHERS, strict=True)])[age]
    expected = sum(e[1] * o[0] / o[1] for e, o in zip(EXPOSED, OTHERS, strict=True))
    ratio = sum(cases for cases, _ in EXPOSED) / expected
    assert expected == pytest.approx(196.151064, abs=1e-6)  # six decimals are given
    assert ratio == pytest.approx(1.2592335, abs=1e-7)
    fraction = aipw_terms(y, a, np.ones_like(a), risk, chance).mean() / y.mean()
    share_of_cases = y[a == 1].sum() / y.sum()
    assert fraction == pytest.approx(share_of_cases * (1 - 1 / ratio), abs=1e-12)  # an identity
    assert fraction == pytest.approx(0.0280623, abs=1e-7)
