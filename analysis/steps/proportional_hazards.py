"""Do the steps' effects last? Effects within the window compared with effects after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import chi_square_tail, normal_tail
from analysis.steps.time_varying import TimeVaryingEffects

LEVEL = 0.05


@dataclass(frozen=True)
class ProportionalHazardsTest:
    """Late effects over early ones, and two tests that they are equal.

    `ratio` is late over early along the effects as a whole (1: they last); `p_contrast` tests that ratio, `p_all` every
    step at once. `fails` at 5% over both (Bonferroni). A pass is no proof.
    """

    ratio: float
    ratio_sd: float
    p_contrast: float
    p_all: float

    @property
    def fails(self) -> bool:
        return min(self.p_contrast, self.p_all) < LEVEL / 2


def proportional_hazards_test(
    time_varying: TimeVaryingEffects, contrast: NDArray[np.float64]
) -> ProportionalHazardsTest | None:
    """Test whether effects are proportional; None where fewer came back after the window than there are steps.

    Wald tests on the joint sandwich of early and late effects: one degree of freedom along the effects of the fit that
    does not cut the follow-up, and one a step. Source of the idea: P. M. Grambsch & T. M. Therneau 1994, Biometrika
    81:515-526 (effects that change with time), here with one cut at the window.

    Parameters
    ----------
    windows
        The effects before and after the window.
    contrast
        Every step's effect by return over the whole follow-up.
    """
    steps = len(contrast)
    if time_varying.late_returns < steps:
        return None
    late = time_varying.influence.shape[1] - steps
    change = time_varying.effects[late:] - time_varying.effects[:steps]
    rows = time_varying.influence[:, late:] - time_varying.influence[:, :steps]
    inverse = np.linalg.pinv(rows.T @ rows, rcond=1e-10, hermitian=True)
    precision = float(contrast @ inverse @ contrast)
    log_ratio = float(contrast @ inverse @ change) / precision
    return ProportionalHazardsTest(
        ratio=1 + log_ratio,
        ratio_sd=precision**-0.5,
        p_contrast=float(2 * normal_tail(abs(log_ratio) * precision**0.5)),
        p_all=float(chi_square_tail(change @ inverse @ change, steps)),
    )


def test_note(effects: ProportionalHazardsTest | None, window_days: int) -> str:
    """The sentence a reader needs beside the figures."""
    if effects is None:
        return f"Too few bleeds came back after {window_days} days to test whether effects last."
    measured = f"after {window_days} days they are {effects.ratio:.2f} ± {effects.ratio_sd:.2f} of what they are before"
    if effects.fails:
        return (
            f"Effects change with time ({measured}; p = {min(effects.p_contrast, effects.p_all):.3f}), "
            "so what a step costs by return alone is reckoned within the window."
        )
    return f"No sign that effects change with time ({measured}); that is no proof that they do not."
