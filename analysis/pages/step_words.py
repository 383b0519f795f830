"""Steps by their titles."""

from __future__ import annotations

import polars as pl

from analysis.report import Report

COSTLY = ("costs_comebacks", "suspected")
"""Verdicts on a step that shows some sign of costing comebacks."""


def titles_of(report: Report) -> dict[str, str]:
    """Each step of the standard by its id."""
    return {step.id: step.title for step in report.standard.steps}


def title_of(report: Report, step: str) -> str:
    """A step's title; the id of one that the standard lacks."""
    return titles_of(report).get(step, step)


def titled_technique(report: Report) -> pl.DataFrame:
    """Misses against peers beside the title of the step."""
    return report.technique.with_columns(title=pl.col("step").replace(titles_of(report)))
