"""The shop's written procedure: its steps, which bleeds missed one, and which bleeds to recall."""

from analysis.standard.adherence import (
    deviations_from_limits,
    join_brakes,
    missed_step_columns,
    missed_steps,
    own_fields,
)
from analysis.standard.definition import (
    PLACE_ORDER,
    SecondCheck,
    Standard,
    Step,
    standard_from_dict,
    standard_to_dict,
)
from analysis.standard.holds import NOT_PLAUSIBLE, RULE_FIELDS, closing_actions, holds, recalls_by_field
from analysis.standard.read import built_in, read_standard, read_standards
from analysis.standard.rules import Limits, other_fields_of_rule
