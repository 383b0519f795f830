"""Planning: can a reading be trusted, how many bleeds does it take."""

from analysis.plan.gauge import GaugeStudy, gauge_study
from analysis.plan.power import (
    continuity_corrected,
    design_effect,
    one_rate_bleeds,
    precise_rate_bleeds,
    two_arm_bleeds,
    two_arm_power,
)
from analysis.plan.step_power import AtSize, StepPower, can_be_told, step_power
from analysis.plan.trial import bleeds_needed, trials

__all__ = [
    "AtSize",
    "GaugeStudy",
    "StepPower",
    "bleeds_needed",
    "can_be_told",
    "continuity_corrected",
    "design_effect",
    "gauge_study",
    "one_rate_bleeds",
    "precise_rate_bleeds",
    "step_power",
    "trials",
    "two_arm_bleeds",
    "two_arm_power",
]
