"""Planning: whether a reading can be trusted, and how many bleeds a study needs."""

from analysis.plan.gauge_rr import GaugeStudy, gauge_study
from analysis.plan.new_procedure import NewProcedure, ProposedLimit, propose_limits, try_procedure
from analysis.plan.sample_size import (
    PowerAtSize,
    PowerStudy,
    StepPower,
    continuity_corrected_size,
    design_effect,
    estimable_steps,
    one_rate_bleeds,
    precise_rate_bleeds,
    step_power,
    two_arm_bleeds,
    two_arm_power,
)
from analysis.plan.trial import bleeds_needed, trials

__all__ = [
    "GaugeStudy",
    "NewProcedure",
    "PowerAtSize",
    "PowerStudy",
    "ProposedLimit",
    "StepPower",
    "bleeds_needed",
    "continuity_corrected_size",
    "design_effect",
    "estimable_steps",
    "gauge_study",
    "one_rate_bleeds",
    "precise_rate_bleeds",
    "propose_limits",
    "step_power",
    "trials",
    "try_procedure",
    "two_arm_bleeds",
    "two_arm_power",
]
