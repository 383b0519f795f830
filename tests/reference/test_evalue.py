"""E-values as printed.

Source: T. J. VanderWeele & P. Ding 2017, Ann. Intern. Med. 167:268-274, by way of the worked examples of the EValue
package (inst/doc, unmeasured confounding).
"""

import pytest

from analysis.steps import e_value


@pytest.mark.parametrize(
    ("ratio", "printed"),
    [(3.9, 7.263034), (1.8, 3.0), (10.73, 20.94777), (8.02, 15.52336), (0.80, 1.809017), (0.91, 1.428571)],
)
def test_e_values_equal_the_printed_ones(ratio, printed):
    assert e_value(ratio) == pytest.approx(printed, rel=1e-6)  # seven digits are printed


def test_no_effect_needs_no_unmeasured_confounder():
    assert e_value(1.0) == 1.0


@pytest.mark.parametrize("ratio", [0.0, -1.0, float("nan")])
def test_a_number_that_is_not_a_ratio_is_refused(ratio):
    with pytest.raises(ValueError, match="ratio"):
        e_value(ratio)
