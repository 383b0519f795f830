"""Planning: can a reading be trusted, how many bleeds does it take."""

from analysis.plan.gauge_rr import GaugeStudy, gauge_study
from analysis.plan.sample_size import (
    continuity_corrected,
    design_effect,
    one_rate_bleeds,
    precise_rate_bleeds,
    two_arm_bleeds,
    two_arm_power,
)
from analysis.plan.step_power import PowerAtSize, StepPower, estimable_steps, step_power
from analysis.plan.trial import bleeds_needed, trials

__all__ = [
    "GaugeStudy",
    "PowerAtSize",
    "StepPower",
    "bleeds_needed",
    "continuity_corrected",
    "design_effect",
    "estimable_steps",
    "gauge_study",
    "one_rate_bleeds",
    "precise_rate_bleeds",
    "step_power",
    "trials",
    "two_arm_bleeds",
    "two_arm_power",
]
