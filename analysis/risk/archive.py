"""skops as this room uses it: strict, and quick to import."""

from __future__ import annotations

import sys
from functools import cache
from importlib import import_module
from types import ModuleType


@cache
def strict_skops() -> ModuleType:
    """`skops.io`, a copy of our own that trusts no estimator of scikit-learn.

    No model of ours holds one, and to list them all imports every part of that library: a second and more. The copy is
    not left among the loaded modules, so that other users of skops in the same process get theirs whole.
    """
    import sklearn.utils
    import skops

    whole = vars(skops).get("io")
    kept = {name: sys.modules.pop(name) for name in [*sys.modules] if name.startswith("skops.io")}
    listed, sklearn.utils.all_estimators = sklearn.utils.all_estimators, lambda *_, **__: []
    try:
        ours = import_module("skops.io")
    finally:
        sklearn.utils.all_estimators = listed
        for name in [name for name in sys.modules if name.startswith("skops.io")]:
            del sys.modules[name]
        sys.modules.update(kept)
        vars(skops).pop("io", None)
        if whole is not None:
            vars(skops)["io"] = whole
    return ours
