"""An answer to come is given once: here where nobody has begun it, else by whoever has."""

from __future__ import annotations

import pytest

from analysis.asked import Asked


@pytest.mark.parametrize("free", [True, False])
def test_what_nobody_has_begun_is_done_here_once(free: bool) -> None:
    done: list[str] = []
    asked = Asked(lambda: done.append("here") or "here", lambda: free, lambda: done.append("there") or "there")
    asked.begin()
    asked.begin()
    assert done == (["here"] if free else [])
    assert asked() == asked() == ("here" if free else "there")
    assert len(done) == 1
