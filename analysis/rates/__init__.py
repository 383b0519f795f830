"""Fair comparison: raw rates, what the same work would give, what chance explains."""

from analysis.rates.case_mix import expected_risk
from analysis.rates.fair import rates
from analysis.rates.funnel import Overdispersion, chance_limits, overdispersion, two_sided_p
from analysis.rates.others import Expectation, Others, others_of
from analysis.rates.raw import raw_rates
from analysis.rates.shrink import Shrunk, gamma_poisson
from analysis.rates.work import Kinds, Work, kinds_of, work_of

__all__ = [
    "Expectation",
    "Kinds",
    "Others",
    "Overdispersion",
    "Shrunk",
    "Work",
    "chance_limits",
    "expected_risk",
    "gamma_poisson",
    "kinds_of",
    "others_of",
    "overdispersion",
    "rates",
    "raw_rates",
    "two_sided_p",
    "work_of",
]
