"""Linking holds for every drawn case, and the printed rules are these cases."""

from pathlib import Path

import polars as pl
import pytest

import analysis.intake
from analysis.intake.link import links
from tests.build import bleed, comeback, table
from tests.intake.link_cases import LINK_CASES
from tests.intake.print_intake_rules import rules_text


@pytest.mark.parametrize("case", LINK_CASES, ids=lambda case: case.because)
def test_a_return_answers_to_the_drawn_bleed(case):
    bled = table("sessions", [bleed(i, start, brake=brake, bike_id="B") for i, brake, start in case.bleeds])
    written, brake, when = case.back
    back = table("comebacks", [comeback("C1", when, session_id=written, brake=brake, bike_id=case.bike)])
    found = links(bled, back, pl.Series(case.aside, dtype=pl.String))
    assert found.get_column("session_id").to_list() == [case.bleed]


def test_the_printed_rules_are_these_cases():
    printed = Path(analysis.intake.__file__).with_name("RULES.md").read_text("utf-8")
    assert printed == rules_text(), "print it again: python -m tests.intake.print_intake_rules"
