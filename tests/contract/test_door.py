"""What a notebook imports from the one door."""

from __future__ import annotations


def test_every_name_of_the_door_is_there_whatever_was_imported_before() -> None:
    import analysis.audit
    import analysis.charts
    from analysis import audit

    assert callable(audit)
    for name in analysis.__all__:
        assert getattr(analysis, name) is not None
