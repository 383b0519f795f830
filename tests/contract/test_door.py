"""What a notebook imports from the one door, and the examples that stand beside it."""

from __future__ import annotations

import doctest
from pathlib import Path

import pytest

EXPORTS = Path(__file__).parents[1] / "golden" / "exports"


def test_every_name_of_the_door_is_there_whatever_was_imported_before() -> None:
    import analysis.audit
    import analysis.charts
    from analysis import run_audit

    assert callable(run_audit)
    for name in analysis.__all__:
        assert getattr(analysis, name) is not None


def test_every_name_of_the_door_is_explained() -> None:
    import analysis

    for name in analysis.__all__:
        assert f"`{name}`" in str(analysis.__doc__), name
        assert getattr(analysis, name).__doc__, name


def test_the_doors_examples_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """On the twelve bleeds of the golden run, whose every figure is reckoned by hand beside it."""
    import analysis

    monkeypatch.chdir(EXPORTS)
    told = doctest.testmod(analysis, optionflags=doctest.ELLIPSIS)
    assert told.attempted >= 8
    assert told.failed == 0
