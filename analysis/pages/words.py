"""Sentences from figures: number, plural, and rounding to two significant digits of the interval's width."""

from __future__ import annotations

import math

from analysis.stats import wilson

TOO_FEW = "too few to tell"
LEAST_WRITTEN = 0.0001


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


def sample(successes: int, trials: int) -> str:
    """`12% of 340 bleeds (9 to 16%)`, limits Wilson's; `none of them known` without a bleed."""
    if not trials:
        return "none of them known"
    limits = wilson(successes, trials)
    lo, hi = float(limits.lo), float(limits.hi)
    digits = places(100 * lo, 100 * hi)
    return f"{100 * successes / trials:.{digits}f}% of {count(trials, 'bleed')} ({100 * lo:.{digits}f} to {100 * hi:.{digits}f}%)"


def plain(value: float) -> str:
    """Three digits that count, written out: `7,090`, `12.3`, `0.041`; never a power of ten."""
    if value == 0:
        return "0"
    if abs(value) < LEAST_WRITTEN:
        return f"under {LEAST_WRITTEN:g}" if value > 0 else "0"
    digits = max(2 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:,.{digits}f}"
    return _minus(text.rstrip("0").rstrip(".") if "." in text else text)


def no_less_than_none(value: float, lo: float | None, hi: float | None) -> str:
    """An amount that cannot be below nothing: `23 (−4 to 51)`; where the estimate is below nothing, what it may be at most."""
    if value >= 0:
        return plain(value) if lo is None or hi is None else amount(value, lo, hi)
    if hi is None or hi <= 0:
        return "no sign of any"
    return f"no sign of any, at most {plain(hi)}"


def listed(words: list[str], joint: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}" if words else "none"


def _signed(value: float, digits: int) -> str:
    text = f"{value:,.{digits}f}"
    return text.lstrip("-") if float(text.replace(",", "")) == 0 else _minus(text)


def _minus(text: str) -> str:
    return text.replace("-", "−")
