"""Which missed steps cost comebacks, and what would be spared without them."""

from analysis.steps.by_return import ByReturn, by_return, widening
from analysis.steps.check import doubly_robust
from analysis.steps.costs import StepCosts, step_costs
from analysis.steps.design import FIELDS_READ, Design, design_of
from analysis.steps.interaction import interactions, interactions_told
from analysis.steps.raw import raw_steps
from analysis.steps.samples import samples_told
from analysis.steps.tolerance import Ground, ground_of, tolerance_curves
from analysis.steps.verdict import e_value
from analysis.steps.what_if import YearlyCost, what_if

__all__ = [
    "FIELDS_READ",
    "ByReturn",
    "Design",
    "Ground",
    "StepCosts",
    "YearlyCost",
    "by_return",
    "design_of",
    "doubly_robust",
    "e_value",
    "ground_of",
    "interactions",
    "interactions_told",
    "raw_steps",
    "samples_told",
    "step_costs",
    "tolerance_curves",
    "what_if",
    "widening",
]
