"""A classifier of scikit-learn named on the command line."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

from analysis.errors import UserError


def import_classifier(name: str) -> Any:
    """The classifier of scikit-learn that `module:name` means, from the current folder or an installed package.

    Raises
    ------
    UserError
        It cannot be imported, or is no classifier with `predict_proba`.
    """
    module, _, attribute = name.partition(":")
    expected = "module:name of a scikit-learn classifier with predict_proba, for example my_models:forest"
    try:
        sys.path.insert(0, str(Path.cwd()))
        value = getattr(importlib.import_module(module), attribute)
    except (ImportError, AttributeError, ValueError) as error:
        raise UserError("--classifier", f"{name}: {error}", expected, "correct the name") from error
    finally:
        sys.path.pop(0)
    classifier = value() if isinstance(value, type) else value
    if not (hasattr(classifier, "fit") and hasattr(classifier, "predict_proba") and hasattr(classifier, "get_params")):
        raise UserError(
            "--classifier", f"{name} is a {type(classifier).__name__}", expected, "wrap it, or name another"
        )
    return classifier
