"""Names for notebooks: read exports into a log, audit it, and show the results.

`read_log` reads exports into a `Log`; `propose_map` writes a map for exports with other headings. `built_in` and
`read_standard` give the `Standard`, the procedure that bleeds are checked against. `run_audit` makes the `Report`, whose
tables are polars frames with the names of a run's files. `findings` gives the main findings as text; `lead_board`,
`trainer_board` and `analyst_board` draw one linked chart for each reader, `charts` draws single charts, and `init_notebook`
makes them interactive. `run_proof` validates the audit on simulated workshops, `read_proof` reads a
finished validation. Anything that a user can correct raises `UserError`.

For scikit-learn: `risk_data` gives the bleeds of a log as `X` and their follow-up as `y`; `make_risk_pipeline` the pipeline
of an audit's risks from `BleedFeatures` and `RebleedClassifier`, or with any other classifier from `FeatureMatrix` and
`WindowClassifier`; `OutOfTimeSplit` splits in time; `compare` judges classifiers against the risk model of a report.
`fit_survival` fits the time to return to columns of a frame and lists hazard ratios.

Twelve rows of bleeds and four of returns (two are rejected, one is a duplicate, one return has no matching bleed):

>>> import datetime as dt
>>> from analysis import built_in, charts, findings, read_log, run_audit
>>> log = read_log(["bleeds.csv", "returns.csv"], as_of=dt.date(2026, 6, 30))
>>> log.intake.select("file", "accepted", "set_aside", "unlinked").rows()
[('bleeds.csv', 9, 2, 0), ('returns.csv', 4, 0, 1)]

The audit and its findings:

>>> report = run_audit(log, built_in())
>>> report.rates.select("kind", "mature", "comebacks", "rate").row(0)
('all', 8, 1, 0.125)
>>> print(findings(report)[1])
12.5% of bleeds came back within 90 days. 1 of 8 bleeds; 95% interval 2.2–47.1%. ...
>>> report.small_sample
True

JupyterLab displays a chart; its description says the same in words:

>>> charts.specification(charts.months_line(report.months))["description"]
'Comeback rate by month ...'

An error says where, what was found, what is expected and what to do:

>>> read_log(["nowhere.csv"])
Traceback (most recent call last):
    ...
analysis.errors.UserError: nowhere.csv: ...
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_MODULES = {
    "BleedFeatures": "analysis.risk",
    "FeatureMatrix": "analysis.risk",
    "OutOfTimeSplit": "analysis.risk",
    "RebleedClassifier": "analysis.risk",
    "WindowClassifier": "analysis.risk",
    "compare": "analysis.audit",
    "fit_survival": "analysis.survival",
    "make_risk_pipeline": "analysis.risk",
    "risk_data": "analysis.risk",
    "UserError": "analysis.errors",
    "Log": "analysis.intake",
    "Report": "analysis.report",
    "Standard": "analysis.standard",
    "built_in": "analysis.standard",
    "charts": "analysis.charts",
    "analyst_board": "analysis.boards",
    "findings": "analysis.pages",
    "init_notebook": "analysis.charts",
    "lead_board": "analysis.boards",
    "propose_map": "analysis.intake",
    "read_log": "analysis.intake",
    "read_proof": "analysis.output",
    "read_standard": "analysis.standard",
    "run_audit": "analysis.audit",
    "run_proof": "analysis.prove",
    "trainer_board": "analysis.boards",
}
__all__ = sorted(_MODULES)


def __getattr__(name: str) -> Any:
    """Import a name when it is first used, so that the help of the command does not wait for the libraries."""
    if name not in _MODULES:
        raise AttributeError(f"module 'analysis' has no attribute {name!r}")
    module = import_module(_MODULES[name])
    return module if name == "charts" else getattr(module, name)


def __dir__() -> list[str]:
    return list(__all__)
