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
from analysis.plan.trial import trials

__all__ = [
    "GaugeStudy",
    "continuity_corrected",
    "design_effect",
    "gauge_study",
    "one_rate_bleeds",
    "precise_rate_bleeds",
    "trials",
    "two_arm_bleeds",
    "two_arm_power",
]
