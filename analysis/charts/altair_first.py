"""Import Altair without a grammar that no chart needs.

jsonschema, where it finds rfc3987_syntax (which JupyterLab installs), builds its grammar of international addresses when
it is imported: 1.2 of the 1.4 seconds that Altair takes to import, in every run. jsonschema works without that package.
"""

from __future__ import annotations

import sys

GRAMMAR = "rfc3987_syntax"

if "altair" not in sys.modules and GRAMMAR not in sys.modules:
    sys.modules[GRAMMAR] = None  # type: ignore[assignment]  # Python's own way to say that a module is not available
    import altair  # noqa: F401

    del sys.modules[GRAMMAR]
