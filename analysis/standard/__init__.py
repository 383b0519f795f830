"""The written procedure: what it asks, which bleeds missed a step, which must be called back."""

from analysis.standard.aims import aim
from analysis.standard.holds import holds
from analysis.standard.missed import how_far, missed_steps, own_fields
from analysis.standard.read import built_in, read_standard
from analysis.standard.rules import Limits, fields_read
from analysis.standard.standard import ComebackRule, SecondCheck, Standard, Step, Where
from analysis.standard.told import standard_from, standard_told

__all__ = [
    "ComebackRule",
    "Limits",
    "SecondCheck",
    "Standard",
    "Step",
    "Where",
    "aim",
    "built_in",
    "fields_read",
    "holds",
    "how_far",
    "missed_steps",
    "own_fields",
    "read_standard",
    "standard_from",
    "standard_told",
]
