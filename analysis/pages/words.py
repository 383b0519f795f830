"""Sentences from figures: number, plural, and rounding to two significant digits of the interval's width."""

from __future__ import annotations

import math

TOO_FEW = "too few to tell"


def count(number: int, one: str, many: str = "") -> str:
    """`1 bleed`, `2 bleeds`, `12,345 bleeds`."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def places(lo: float, hi: float) -> int:
    """Decimals that show two significant digits of the interval's width, none below 0 and at most 6."""
    width = hi - lo
    if not math.isfinite(width) or width <= 0:
        return 1
    return min(max(1 - math.floor(math.log10(width)), 0), 6)


def share(value: float | None, lo: float | None, hi: float | None) -> str:
    """`6.1% (5.5 to 6.8%)`; too few to tell without all three."""
    if value is None or lo is None or hi is None:
        return TOO_FEW
    digits = places(100 * lo, 100 * hi)
    return f"{100 * value:.{digits}f}% ({100 * lo:.{digits}f} to {100 * hi:.{digits}f}%)"


def amount(value: float | None, lo: float | None, hi: float | None) -> str:
    """`1.2 (0.4 to 2.0)`; too few to tell without all three."""
    if value is None or lo is None or hi is None:
        return TOO_FEW
    digits = places(lo, hi)
    return f"{_signed(value, digits)} ({_signed(lo, digits)} to {_signed(hi, digits)})"


def points(value: float | None, lo: float | None, hi: float | None) -> str:
    """`+12 points (4 to 19)` of a difference of shares; too few to tell without all three."""
    if value is None or lo is None or hi is None:
        return TOO_FEW
    digits = places(100 * lo, 100 * hi)
    sign = "+" if round(100 * value, digits) > 0 else ""
    return f"{sign}{_signed(100 * value, digits)} points ({_signed(100 * lo, digits)} to {_signed(100 * hi, digits)})"


def listed(words: list[str], joint: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}" if words else "none"


def _signed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")
