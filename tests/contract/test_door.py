"""The names that notebooks import from `analysis`, and the examples in its documentation."""

from __future__ import annotations

import doctest
from pathlib import Path

import pytest

EXPORTS = Path(__file__).parents[1] / "golden" / "exports"


def test_every_public_name_can_be_imported() -> None:
    import analysis.audit
    import analysis.charts
    from analysis import run_audit

    assert callable(run_audit)
    for name in analysis.__all__:
        assert getattr(analysis, name) is not None


def test_every_public_name_is_documented() -> None:
    import analysis

    for name in analysis.__all__:
        assert f"`{name}`" in str(analysis.__doc__), name
        assert getattr(analysis, name).__doc__, name


def test_the_examples_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """On the twelve bleeds of the golden run, whose figures are calculated by hand."""
    import analysis

    monkeypatch.chdir(EXPORTS)
    result = doctest.testmod(analysis, optionflags=doctest.ELLIPSIS)
    assert result.attempted >= 8
    assert result.failed == 0
