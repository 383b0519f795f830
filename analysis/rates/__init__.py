"""Comeback rates by group: crude, expected for the same case mix, and which groups clearly differ."""

from analysis.rates.case_mix import CaseMix, CovariatePatterns, build_case_mix, covariate_patterns
from analysis.rates.crude import KINDS, crude_rates
from analysis.rates.expected_risk import expected_risk
from analysis.rates.funnel import Overdispersion, chance_limits, overdispersion, two_sided_p
from analysis.rates.gamma_poisson import EmpiricalBayesRate, gamma_poisson
from analysis.rates.leave_group_out import Expectation, LeaveGroupOut, leave_group_out
from analysis.rates.standardised import rates
from analysis.rates.year_on_year import YearCounts, YearOnYear, year_change, year_on_year

__all__ = [
    "KINDS",
    "CaseMix",
    "CovariatePatterns",
    "EmpiricalBayesRate",
    "Expectation",
    "LeaveGroupOut",
    "Overdispersion",
    "YearCounts",
    "YearOnYear",
    "build_case_mix",
    "chance_limits",
    "covariate_patterns",
    "crude_rates",
    "expected_risk",
    "gamma_poisson",
    "leave_group_out",
    "overdispersion",
    "rates",
    "two_sided_p",
    "year_change",
    "year_on_year",
]
