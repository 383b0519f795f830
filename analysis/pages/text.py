"""Numbers as text: counts with their noun, percentages, estimates with their 95% interval, lists of words."""

from __future__ import annotations

import datetime as dt
import math

from analysis.stats import wilson

TOO_FEW = "too few to say"
SMALLEST_SHOWN = 0.0001


def quantity(number: int, noun: str, plural: str = "") -> str:
    """`1 bleed`, `2 bleeds`, `12,345 bleeds`."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def decimals(lo: float, hi: float) -> int:
    """Decimals that show two significant digits of the interval's width: from 0 to 6."""
    width = hi - lo
    if not math.isfinite(width) or width <= 0:
        return 1
    return min(max(1 - math.floor(math.log10(width)), 0), 6)


def percent(value: float | None) -> str:
    """`6.1%`: one decimal, two below one percent."""
    if value is None:
        return TOO_FEW
    return f"{_format_signed(100 * value, 2 if 0 < abs(value) < 0.01 else 1)}%"


def percent_range(lo: float, hi: float) -> str:
    """`5.5–6.8%`: one decimal, two where the upper limit is below one percent."""
    digits = 2 if 0 < hi < 0.01 else 1
    return f"{_format_signed(100 * lo, digits)}–{_format_signed(100 * hi, digits)}%"


def percent_interval(value: float | None, lo: float | None, hi: float | None) -> str:
    """`6.1% (5.5–6.8%)`; too few to say without all three."""
    if value is None or lo is None or hi is None:
        return TOO_FEW
    return f"{percent(value)} ({percent_range(lo, hi)})"


def interval(lo: float, hi: float) -> str:
    """`0.4–2.0`, or `−0.4 to 2.0` where a limit is negative."""
    digits = decimals(lo, hi)
    joint = " to " if lo < 0 else "–"
    return f"{_format_signed(lo, digits)}{joint}{_format_signed(hi, digits)}"


def estimate(value: float | None, lo: float | None, hi: float | None) -> str:
    """`1.2 (0.4–2.0)`; too few to say without all three."""
    if value is None or lo is None or hi is None:
        return TOO_FEW
    return f"{_format_signed(value, decimals(lo, hi))} ({interval(lo, hi)})"


def percentage_points(value: float | None, lo: float | None, hi: float | None) -> str:
    """`+12 points (4–19)` for a difference of shares; too few to say without all three."""
    if value is None or lo is None or hi is None:
        return TOO_FEW
    digits = decimals(100 * lo, 100 * hi)
    sign = "+" if round(100 * value, digits) > 0 else ""
    points = _format_signed(100 * value, digits)
    return f"{sign}{points} {'point' if points in ('1', '−1') else 'points'} ({interval(100 * lo, 100 * hi)})"


def observed_share_text(successes: int, trials: int) -> str:
    """`12.4% of 340 bleeds (9.3–16.3%)` with Wilson limits; `none recorded` without a bleed."""
    if not trials:
        return "none recorded"
    limits = wilson(successes, trials)
    return f"{percent(successes / trials)} of {quantity(trials, 'bleed')} ({percent_range(float(limits.lo), float(limits.hi))})"


def number(value: float) -> str:
    """Three significant digits, written out: `7,090`, `12.3`, `0.041`; never in powers of ten."""
    if value == 0:
        return "0"
    if abs(value) < SMALLEST_SHOWN:
        return f"under {SMALLEST_SHOWN:g}" if value > 0 else "0"
    digits = max(2 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:,.{digits}f}"
    return _replace_minus(text.rstrip("0").rstrip(".") if "." in text else text)


def estimate_or_none_seen(value: float, lo: float | None, hi: float | None) -> str:
    """`23 (−4 to 51)` for a quantity that cannot be negative; for a negative estimate, its upper limit."""
    if value >= 0:
        return number(value) if lo is None or hi is None else estimate(value, lo, hi)
    if hi is None or hi <= 0:
        return "none seen"
    return f"none seen, at most {number(hi)} (upper 95% bound)"


def month_name(month: str) -> str:
    """`August 2025` for `2025-08`."""
    return dt.date(int(month[:4]), int(month[5:7]), 1).strftime("%B %Y")


def date_text(day: dt.date) -> str:
    """`28 February 2025`."""
    return f"{day.day} {day:%B %Y}"


def join_words(words: list[str], joint: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`; `none` without any."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}" if words else "none"


def followed_by_text(count: int, total: int, noun: str, result: str) -> str:
    """`2 of 3 changes were followed by …`, `Neither change was followed by …`, `The change was not followed by …`."""
    if total == 1:
        return f"The {noun} was {'' if count else 'not '}followed by {result}."
    if not count:
        return f"{f'Neither {noun}' if total == 2 else f'None of the {total} {noun}s'} was followed by {result}."
    return f"{count} of {total} {noun}s {'was' if count == 1 else 'were'} followed by {result}."


def capitalised(text: str) -> str:
    """The text with its first letter in upper case, the rest unchanged."""
    return text[:1].upper() + text[1:]


def _format_signed(value: float, digits: int) -> str:
    text = f"{value:,.{digits}f}"
    return text.lstrip("-") if float(text.replace(",", "")) == 0 else _replace_minus(text)


def _replace_minus(text: str) -> str:
    return text.replace("-", "−")
