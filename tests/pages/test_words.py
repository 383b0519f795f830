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


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (7090.0, "7,090"), (7094.6, "7,095"), (12.34, "12.3"), (0.0412, "0.0412"), (-3.2, "−3.2"), (0.0, "0"),
        (0.00001, "under 0.0001"), (1234567.0, "1,234,567"), (99.96, "100"), (-0.5, "−0.5"), (0.05, "0.05"),
    ],
)  # fmt: skip
def test_numbers_are_written_out_and_never_as_powers_of_ten(value: float, text: str) -> None:
    assert words.plain(value) == text


@pytest.mark.parametrize(
    ("value", "lo", "hi", "text"),
    [
        (23.0, -4.0, 51.0, "23 (−4 to 51)"),
        (-3.0, -20.0, 12.0, "no sign of any, at most 12"),
        (-3.0, -6.0, -1.0, "no sign of any"),
        (23.0, None, None, "23"),
    ],
)
def test_an_amount_below_nothing_is_told_by_what_it_may_be_at_most(value, lo, hi, text) -> None:
    assert words.no_less_than_none(value, lo, hi) == text


def test_a_share_of_a_count_stands_with_its_limits() -> None:
    # E. B. Wilson 1927, J. Am. Stat. Assoc. 22:209-212; R. G. Newcombe 1998, Stat. Med. 17:857-872, table I: 81 of 263
    # is 0.2553 to 0.3662, 15 of 148 is 0.0624 to 0.1605 (from memory)
    assert words.sample(81, 263) == "31% of 263 bleeds (26 to 37%)"
    assert words.sample(15, 148).startswith("10.1% of 148 bleeds (6.2 to 16.")
    assert words.sample(0, 0) == "none of them known"
