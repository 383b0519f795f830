"""Returns are matched to bleeds as in every case of RULES.md, and RULES.md is printed from these cases."""

from pathlib import Path

import polars as pl
import pytest

import analysis.intake
from analysis.intake.link import link_returns
from tests.build import bleed, comeback, table
from tests.intake.link_cases import LINK_CASES
from tests.intake.print_intake_rules import rules_text


@pytest.mark.parametrize("case", LINK_CASES, ids=lambda case: case.because)
def test_a_return_belongs_to_the_bleed_of_the_case(case):
    bleeds = table(
        "sessions",
        [
            bleed(i, start, brake=brake, bike_id="B", job_reason=(*reason, None)[0])
            for i, brake, start, *reason in case.bleeds
        ],
    )
    named_bleed, brake, when = case.back
    returns = table("comebacks", [comeback("C1", when, session_id=named_bleed, brake=brake, bike_id=case.bike)])
    links = link_returns(bleeds, returns, pl.Series(case.rejected, dtype=pl.String))
    assert links.get_column("session_id").to_list() == [case.bleed]


def test_the_printed_rules_are_up_to_date():
    printed = Path(analysis.intake.__file__).with_name("RULES.md").read_text("utf-8")
    assert printed == rules_text(), "print it again: python -m tests.intake.print_intake_rules"
