"""Which missed steps lead to comebacks, and how many would be prevented without them."""

from analysis.steps.aipw import aipw_terms
from analysis.steps.design_matrix import Design, build_design
from analysis.steps.dose_response import (
    DoseResponseInputs,
    FittedCurve,
    dose_response_curves,
    dose_response_inputs,
    fit_curves,
)
from analysis.steps.evidence import air_score
from analysis.steps.interactions import interaction_notes, interactions
from analysis.steps.marginal_effects import MarginalEffects, estimate_marginal_effects
from analysis.steps.ranking import e_value
from analysis.steps.table import StepCosts, crude_step_differences, fit_steps, step_costs
from analysis.steps.what_if import PreventedComebacks, YearlyCost, prevented_if_never_missed, what_if

__all__ = [
    "Design",
    "DoseResponseInputs",
    "FittedCurve",
    "MarginalEffects",
    "PreventedComebacks",
    "StepCosts",
    "YearlyCost",
    "aipw_terms",
    "air_score",
    "build_design",
    "crude_step_differences",
    "dose_response_curves",
    "dose_response_inputs",
    "e_value",
    "estimate_marginal_effects",
    "fit_curves",
    "fit_steps",
    "interaction_notes",
    "interactions",
    "prevented_if_never_missed",
    "step_costs",
    "what_if",
]
