"""How a map wants the files of one section to be read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from analysis.intake.convert.cleaned_text import normalise


@dataclass(frozen=True)
class ReadingHint:
    """How to read a file that has all of `headings`; None and False leave it to the content.

    Parameters
    ----------
    encoding
        A text encoding by its usual name, e.g. "cp1252".
    delimiter
        The one character between two cells.
    short_rows
        True: a row with fewer cells than headings is filled up with empty cells instead of being set aside.
    headings
        The headings that must all be there, as the map writes them.
    """

    encoding: str | None = None
    delimiter: str | None = None
    short_rows: bool = False
    headings: frozenset[str] = frozenset()

    def fits(self, headings: Iterable[str]) -> bool:
        """Whether all headings of the hint are among these, whatever the case, outer space, space or hyphen."""
        return {normalise(heading) for heading in self.headings} <= {normalise(heading) for heading in headings}
