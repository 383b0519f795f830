"""The error for what a user can correct: one clear message and exit status 2, no traceback."""

from __future__ import annotations


class UserError(Exception):
    """Something in the input, the options or the machine stops the run and can be corrected by the user.

    Parameters
    ----------
    location
        The file, key, option or address where it was found.
    problem
        What was found there.
    expected
        What is valid there.
    remedy
        What to do.
    """

    def __init__(self, location: str, problem: str, expected: str = "", remedy: str = "") -> None:
        self.location, self.problem, self.expected, self.remedy = location, problem, expected, remedy
        super().__init__(location, problem, expected, remedy)  # all four, so that it can be pickled

    def __str__(self) -> str:
        lines = [f"{self.location}: {self.problem}"]
        if self.expected:
            lines.append(f"  expected: {self.expected}")
        if self.remedy:
            lines.append(f"  what to do: {self.remedy}")
        return "\n".join(lines)


class EmptyExport(UserError):
    """An export without content; it is skipped if it is one file of a folder."""
