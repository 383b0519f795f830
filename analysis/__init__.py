"""What a notebook imports: read exports into a log, audit it, draw and say what was found.

`read_log` reads exports (with a map for foreign headings, which `propose_map` writes) into one `Log`; `built_in` and
`read_standard` give the `Standard` it is held against; `run_audit` makes the `Report`, whose tables are polars frames named as
the files a run writes; `findings` says them in five sentences; `lead_board`, `trainer_board` and `analyst_board` draw them as one linked chart for
each reader; `charts` draws them one by one, and `init_notebook` lets charts answer
to the pointer. `run_proof` audits simulated workshops and holds them against what is true of them; `read_proof` reads a
finished one. What a user can mend raises `UserError`.

Twelve rows of bleeds and four of returns (two are set aside, one is a copy, one return finds no bleed):

>>> import datetime as dt
>>> from analysis import built_in, charts, findings, read_log, run_audit
>>> log = read_log(["bleeds.csv", "returns.csv"], as_of=dt.date(2026, 6, 30))
>>> log.intake.select("file", "accepted", "set_aside", "unlinked").rows()
[('bleeds.csv', 9, 2, 0), ('returns.csv', 4, 0, 1)]

The audit, and what it says:

>>> report = run_audit(log, built_in())
>>> report.rates.select("kind", "mature", "comebacks", "rate").row(0)
('all', 8, 1, 0.125)
>>> print(findings(report)[1])
12.5% of bleeds came back within 90 days. 1 of 8 bleeds; 95% interval 2.2–47.1%. ...
>>> report.small_sample
True

A chart shows itself in JupyterLab; its description tells it in words:

>>> charts.specification(charts.months_line(report.months))["description"]
'Comeback rate by month ...'

What a user can mend says where, what was found, what is expected and what to do:

>>> read_log(["nowhere.csv"])
Traceback (most recent call last):
    ...
analysis.errors.UserError: nowhere.csv: ...
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_WHERE = {
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
__all__ = sorted(_WHERE)


def __getattr__(name: str) -> Any:
    """Each name is imported when it is first asked for, so that the command's help does not wait for the libraries."""
    if name not in _WHERE:
        raise AttributeError(f"module 'analysis' has no attribute {name!r}")
    module = import_module(_WHERE[name])
    return module if name == "charts" else getattr(module, name)


def __dir__() -> list[str]:
    return list(__all__)
