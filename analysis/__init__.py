"""Names for notebooks: read exports into a log, audit it, and show the results.

`read_log` reads exports into a `Log`; `propose_map` writes a map for exports with other headings. `built_in` and
`read_standard` give the `Standard`, the procedure that bleeds are checked against. `run_audit` makes the `Report`, whose
tables are polars frames with the names of a run's files. `findings` gives the main findings as text, `to_do_list` the
brakes to recall and the bleeds to check; `lead_board`,
`trainer_board` and `analyst_board` draw one linked chart for each reader, `charts` draws single charts, `show` formats a
table, and `init_notebook` draws your own charts like the built-in ones. `report_html` is the summary of a report
that a notebook displays, `write_report` writes its folder of pages. `run_proof` validates the audit on simulated workshops, `read_proof`
reads a finished validation. Anything that a user can correct raises `UserError`.

For scikit-learn: `risk_data` gives the bleeds of a log as `X` and their follow-up as `y`; `make_risk_pipeline` the pipeline
of an audit's risks from `BleedFeatures` and `RebleedClassifier`, or with any other classifier from `FeatureMatrix` and
`WindowClassifier`; `OutOfTimeSplit` splits in time; `compare` compares classifiers with the risk model of a report.
`fit_survival` fits the time to return to columns of a frame and lists hazard ratios.

Twelve rows of bleeds and four of returns (two are rejected, one is a duplicate, one return has no matching bleed):

>>> from analysis import charts, findings, read_log, run_audit
>>> log = read_log(["bleeds.csv", "returns.csv"], as_of="2026-06-30")
>>> log.intake.select("file", "accepted", "set_aside", "unlinked").rows()
[('bleeds.csv', 9, 2, 0), ('returns.csv', 4, 0, 1)]

The audit and its findings:

>>> report = run_audit(log)
>>> report.rates.select("kind", "mature", "comebacks", "rate").row(0)
('all', 8, 1, 0.125)
>>> print(findings(report)[1])
12.5% of bleeds came back within 90 days. 1 of 8 bleeds; 95% interval 2.2–47.1%.
>>> report.small_sample
True

JupyterLab displays a chart; its description says the same in words:

>>> charts.specification(charts.months_line(report))["description"]
'Comeback rate by month ...'

An error says where, what was found, what is expected and what to do:

>>> read_log("nowhere.csv")
Traceback (most recent call last):
    ...
analysis.errors.UserError: nowhere.csv: ...
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis import charts
    from analysis.audit import compare, run_audit
    from analysis.boards.analyst_board import analyst_board
    from analysis.boards.lead_board import lead_board
    from analysis.boards.trainer_board import trainer_board
    from analysis.charts import init_notebook
    from analysis.commands.audit_folder import write_report
    from analysis.errors import UserError
    from analysis.intake import Log, propose_map, read_log
    from analysis.output import read_proof
    from analysis.pages import findings, report_html, show
    from analysis.prove import run_proof
    from analysis.report import Report
    from analysis.risk import (
        BleedFeatures,
        FeatureMatrix,
        OutOfTimeSplit,
        RebleedClassifier,
        WindowClassifier,
        make_risk_pipeline,
        risk_data,
    )  # fmt: skip
    from analysis.rounds import to_do_list
    from analysis.standard import Standard, built_in, read_standard
    from analysis.survival import fit_survival

__all__ = [
    "BleedFeatures",
    "FeatureMatrix",
    "Log",
    "OutOfTimeSplit",
    "RebleedClassifier",
    "Report",
    "Standard",
    "UserError",
    "WindowClassifier",
    "analyst_board",
    "built_in",
    "charts",
    "compare",
    "findings",
    "fit_survival",
    "init_notebook",
    "lead_board",
    "make_risk_pipeline",
    "propose_map",
    "read_log",
    "read_proof",
    "read_standard",
    "report_html",
    "risk_data",
    "run_audit",
    "run_proof",
    "show",
    "to_do_list",
    "trainer_board",
    "write_report",
]
_MODULES = {
    "BleedFeatures": "analysis.risk",
    "FeatureMatrix": "analysis.risk",
    "Log": "analysis.intake",
    "OutOfTimeSplit": "analysis.risk",
    "RebleedClassifier": "analysis.risk",
    "Report": "analysis.report",
    "Standard": "analysis.standard",
    "UserError": "analysis.errors",
    "WindowClassifier": "analysis.risk",
    "analyst_board": "analysis.boards",
    "built_in": "analysis.standard",
    "compare": "analysis.audit",
    "findings": "analysis.pages",
    "fit_survival": "analysis.survival",
    "init_notebook": "analysis.charts",
    "lead_board": "analysis.boards",
    "make_risk_pipeline": "analysis.risk",
    "propose_map": "analysis.intake",
    "read_log": "analysis.intake",
    "read_proof": "analysis.output",
    "read_standard": "analysis.standard",
    "report_html": "analysis.pages",
    "risk_data": "analysis.risk",
    "run_audit": "analysis.audit",
    "run_proof": "analysis.prove",
    "show": "analysis.pages",
    "to_do_list": "analysis.rounds",
    "trainer_board": "analysis.boards",
    "write_report": "analysis.commands.audit_folder",
}


def __getattr__(name: str) -> Any:
    """Import a name when it is first used, so that the help of the command does not wait for the libraries."""
    if name == "charts":
        return import_module("analysis.charts")
    if name not in _MODULES:
        raise AttributeError(f"module 'analysis' has no attribute {name!r}")
    return getattr(import_module(_MODULES[name]), name)


def __dir__() -> list[str]:
    return list(__all__)
