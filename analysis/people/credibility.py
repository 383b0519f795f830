"""Whether the records can be relied on: every test of how they were made, with false discoveries controlled over all."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.people.copies_and_habits import constant_findings, copy_findings, duration_findings
from analysis.people.digit_preference import digit_findings
from analysis.people.entries import EntryFinding, recorded_values
from analysis.people.selective_recording import selective_findings
from analysis.stats import benjamini_hochberg
from schemas import empty, validate_table
from schemas.outputs import Credibility

FLAG_AT_Q = 0.01
"""False discoveries are controlled more strictly than the usual 5%: a flag on a person's name costs trust."""


def credibility(data: BleedData) -> DataFrame[Credibility]:
    """Test how each technician recorded; a flag is a reason to talk, not a verdict.

    Tests: favourite_digits, copied_entries, impossible_durations, never_varied, recorded_only_when_met.
    `q_value` is Benjamini & Hochberg's (1995) over all tests of all technicians; `flag` is q ≤ 0.01.

    Parameters
    ----------
    data
        All accepted bleeds.
    """
    findings = _all_findings(data)
    if not findings:
        return empty(Credibility)
    q = benjamini_hochberg([finding.p_value for finding in findings])
    table = pl.DataFrame(
        [
            {
                "technician": f.technician,
                "test": f.test,
                "field": f.field or None,
                "n": f.n,
                "statistic": f.statistic,
                "p_value": f.p_value,
                "q_value": float(qi),
                "flag": bool(qi <= FLAG_AT_Q),
                "example_sessions": " ".join(f.examples) if qi <= FLAG_AT_Q else None,
            }
            for f, qi in zip(findings, q, strict=True)
        ],
        schema=empty(Credibility).schema,
    )
    return validate_table(Credibility, table.sort("technician", "test", "field"))


def _all_findings(data: BleedData) -> list[EntryFinding]:
    bleeds = data.bleeds
    readings = recorded_values(bleeds)
    return [
        *digit_findings(readings),
        *copy_findings(bleeds, tuple(dict.fromkeys(step.field for step in data.standard.steps))),
        *duration_findings(bleeds),
        *constant_findings(readings),
        *selective_findings(bleeds, data.missed),
    ]
