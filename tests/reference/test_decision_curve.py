"""Net benefit against published numbers.

Source: the decision-curve test set of 750 biopsies with 105 cancers that the authors of the method publish with their
packages (A. J. Vickers & E. B. Elkin 2006, Med. Decis. Making 26:565-574): at a threshold of 0.25 the model finds 72
cancers and sends 72 others to biopsy, net benefit 0.0640000; biopsy for all gives -0.1466667 there, 0.140 at 0, and
0.094737, 0.044444, -0.011765, -0.075, -0.228571 at 0.05, 0.10, 0.15, 0.20 and 0.30. Their tolerance: 1e-5.
"""

import numpy as np
import pytest

from analysis.risk import net_benefit_by_bleed

CLOSE = 1e-5
BIOPSIES, CANCERS = 750, 105


def rows(matches, checked_share):
    """Risks and outcomes with so many cancers and so many others at or above a threshold of 0.25."""
    risk = np.full(BIOPSIES, 0.05)
    back = np.zeros(BIOPSIES, dtype=bool)
    back[:CANCERS] = True
    risk[:matches] = 0.25
    risk[CANCERS : CANCERS + checked_share] = 0.6
    return risk, back


def test_the_models_net_benefit_at_a_quarter():
    assert net_benefit_by_bleed(*rows(72, 72), 0.25).mean() == pytest.approx(0.064, abs=CLOSE)


@pytest.mark.parametrize(
    ("threshold", "expected"),
    [
        (0, 0.14),
        (0.05, 0.094737),
        (0.1, 0.044444),
        (0.15, -0.011765),
        (0.2, -0.075),
        (0.25, -0.1466667),
        (0.3, -0.228571),
    ],
)
def test_treating_all(threshold, expected):
    _, back = rows(0, 0)
    assert net_benefit_by_bleed(np.ones(BIOPSIES), back, threshold).mean() == pytest.approx(expected, abs=CLOSE)


def test_treating_none_gains_nothing():
    _, back = rows(0, 0)
    assert net_benefit_by_bleed(np.zeros(BIOPSIES), back, 0.25).mean() == 0
