"""Planning: whether a reading can be trusted, and how many bleeds a study needs."""

from analysis.plan.gauge_rr import GaugeStudy, gauge_study
from analysis.plan.new_procedure import NewProcedure, ProposedLimit, propose_limits, try_procedure
from analysis.plan.sample_size import (
    PowerStudy,
    StepPower,
    bleeds_per_arm,
    continuity_corrected_size,
    design_effect,
    estimable_steps,
    one_rate_bleeds,
    precise_rate_bleeds,
    step_power,
    two_arm_power,
)
from analysis.plan.trial import bleeds_needed_notes, trials
