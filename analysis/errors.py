"""The one error for what a user can put right: it becomes exit status 2 and one clear message, no traceback."""

from __future__ import annotations


class CannotRun(Exception):
    """Something in the input, the options or the machine stops the run, and the user can mend it.

    Parameters
    ----------
    where
        The file, key, option or address it was found at.
    found
        What was found there.
    expected
        What would have been right.
    cure
        What to do about it.
    """

    def __init__(self, where: str, found: str, expected: str = "", cure: str = "") -> None:
        self.where, self.found, self.expected, self.cure = where, found, expected, cure
        super().__init__(where, found, expected, cure)  # as given: so it can be pickled

    def __str__(self) -> str:
        lines = [f"{self.where}: {self.found}"]
        if self.expected:
            lines.append(f"  expected: {self.expected}")
        if self.cure:
            lines.append(f"  what to do: {self.cure}")
        return "\n".join(lines)


class EmptyExport(CannotRun):
    """An export in which nothing is written; within a folder it is passed over."""
