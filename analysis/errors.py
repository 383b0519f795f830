"""The one error for what a user can put right: it becomes exit status 2 and one clear message, no traceback."""

from __future__ import annotations


class UserError(Exception):
    """Something in the input, the options or the machine stops the run, and the user can mend it.

    Parameters
    ----------
    location
        The file, key, option or address it was found at.
    problem
        What was found there.
    expected
        What would have been right.
    remedy
        What to do about it.
    """

    def __init__(self, location: str, problem: str, expected: str = "", remedy: str = "") -> None:
        self.location, self.problem, self.expected, self.remedy = location, problem, expected, remedy
        super().__init__(location, problem, expected, remedy)  # as given: so it can be pickled

    def __str__(self) -> str:
        lines = [f"{self.location}: {self.problem}"]
        if self.expected:
            lines.append(f"  expected: {self.expected}")
        if self.remedy:
            lines.append(f"  what to do: {self.remedy}")
        return "\n".join(lines)


class EmptyExport(UserError):
    """An export in which nothing is written; within a folder it is passed over."""
