"""What a notebook imports: read exports into a log, audit it, draw what was found.

>>> from analysis import read_log, audit, built_in          # doctest: +SKIP
>>> report = audit(read_log(["exports/"]), built_in())      # doctest: +SKIP
>>> report.rates                                            # doctest: +SKIP
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

_WHERE = {
    "CannotRun": "analysis.errors",
    "Log": "analysis.intake",
    "Report": "analysis.report",
    "Standard": "analysis.standard",
    "audit": "analysis.audit",
    "built_in": "analysis.standard",
    "charts": "analysis.charts",
    "init_notebook": "analysis.charts",
    "read_log": "analysis.intake",
    "read_standard": "analysis.standard",
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


class _Door(ModuleType):
    """`analysis.audit` is the function, not the module of the same name that importing would set in its place."""

    def __setattr__(self, name: str, value: Any) -> None:
        if name in _WHERE and name != "charts" and isinstance(value, ModuleType):
            return
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Door
