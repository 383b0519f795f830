"""Numbers, plurals and rounding as a reader meets them."""

from __future__ import annotations

import pytest

from analysis.pages import words


@pytest.mark.parametrize(("number", "told"), [(0, "0 bleeds"), (1, "1 bleed"), (12345, "12,345 bleeds")])
def test_a_count_agrees_with_its_noun(number: int, told: str) -> None:
    assert words.count(number, "bleed") == told


@pytest.mark.parametrize(
    ("value", "lo", "hi", "told"),
    [
        (0.0581, 0.0522, 0.0647, "5.8% (5.2 to 6.5%)"),
        (0.3, 0.1, 0.5, "30% (10 to 50%)"),
        (0.00123, 0.00100, 0.00150, "0.123% (0.100 to 0.150%)"),
        (0.5, None, 0.6, "too few to tell"),
    ],
)
def test_a_share_is_rounded_to_two_digits_of_its_interval(value: float, lo: float, hi: float, told: str) -> None:
    assert words.share(value, lo, hi) == told


def test_a_small_negative_amount_is_no_minus_zero() -> None:
    assert words.amount(-0.0004, -0.3, 0.3) == "0.00 (−0.30 to 0.30)"


def test_points_show_their_sign() -> None:
    assert words.points(0.069, 0.025, 0.113) == "+6.9 points (2.5 to 11.3)"


@pytest.mark.parametrize(
    ("some", "told"), [([], "none"), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_a_list_reads_as_a_sentence_does(some: list[str], told: str) -> None:
    assert words.listed(some) == told
