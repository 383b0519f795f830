"""Altair imported before any chart, without a grammar that no chart needs.

jsonschema, where it finds rfc3987_syntax (JupyterLab brings it), builds its grammar of international addresses at import:
two thirds of the time Altair takes to import. It does without where that package is not to be had.
"""

from __future__ import annotations

import sys

GRAMMAR = "rfc3987_syntax"

if "altair" not in sys.modules and GRAMMAR not in sys.modules:
    sys.modules[GRAMMAR] = None  # type: ignore[assignment]  # Python's own way to say: not to be had
    import altair  # noqa: F401

    del sys.modules[GRAMMAR]
