"""Which missed steps cost comebacks, and what would be spared without them."""

from analysis.steps.by_return import MarginalEffects, by_return
from analysis.steps.check import doubly_robust
from analysis.steps.costs import StepCosts, step_costs
from analysis.steps.design import Design, design_of
from analysis.steps.interaction import interactions, interactions_told
from analysis.steps.raw import raw_steps
from analysis.steps.tolerance import DoseResponseBase, dose_response_base, tolerance_curves
from analysis.steps.verdict import e_value
from analysis.steps.what_if import YearlyCost, what_if

__all__ = [
    "Design",
    "DoseResponseBase",
    "MarginalEffects",
    "StepCosts",
    "YearlyCost",
    "by_return",
    "design_of",
    "dose_response_base",
    "doubly_robust",
    "e_value",
    "interactions",
    "interactions_told",
    "raw_steps",
    "step_costs",
    "tolerance_curves",
    "what_if",
]
