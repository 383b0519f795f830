"""Numbers, plurals and rounding on pages and the terminal."""

from __future__ import annotations

import pytest

from analysis.pages import text


@pytest.mark.parametrize(("number", "expected"), [(0, "0 bleeds"), (1, "1 bleed"), (12345, "12,345 bleeds")])
def test_a_count_agrees_with_its_noun(number: int, expected: str) -> None:
    assert text.quantity(number, "bleed") == expected


@pytest.mark.parametrize(
    ("value", "lo", "hi", "expected"),
    [
        (0.0581, 0.0522, 0.0647, "5.8% (5.2–6.5%)"),
        (0.3, 0.1, 0.5, "30.0% (10.0–50.0%)"),
        (0.00123, 0.00100, 0.00150, "0.12% (0.10–0.15%)"),
        (0.5, None, 0.6, "too few to say"),
    ],
)
def test_a_percentage_has_one_decimal_and_two_below_one_percent(
    value: float, lo: float, hi: float, expected: str
) -> None:
    assert text.percent_interval(value, lo, hi) == expected


def test_a_small_negative_estimate_is_not_minus_zero() -> None:
    assert text.estimate(-0.0004, -0.3, 0.3) == "0.00 (−0.30 to 0.30)"


def test_points_show_their_sign() -> None:
    assert text.percentage_points(0.069, 0.025, 0.113) == "+6.9 points (2.5–11.3)"


@pytest.mark.parametrize(
    ("items", "expected"), [([], "none"), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_a_list_reads_as_a_sentence_does(items: list[str], expected: str) -> None:
    assert text.join_words(items) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (7090.0, "7,090"), (7094.6, "7,095"), (12.34, "12.3"), (0.0412, "0.0412"), (-3.2, "−3.2"), (0.0, "0"),
        (0.00001, "under 0.0001"), (1234567.0, "1,234,567"), (99.96, "100"), (-0.5, "−0.5"), (0.05, "0.05"),
    ],
)  # fmt: skip
def test_numbers_are_written_out_and_never_as_powers_of_ten(value: float, expected: str) -> None:
    assert text.number(value) == expected


@pytest.mark.parametrize(
    ("value", "lo", "hi", "expected"),
    [
        (23.0, -4.0, 51.0, "23 (−4 to 51)"),
        (-3.0, -20.0, 12.0, "none seen, at most 12 (upper 95% bound)"),
        (-3.0, -6.0, -1.0, "none seen"),
        (23.0, None, None, "23"),
    ],
)
def test_a_negative_estimate_of_a_quantity_shows_its_upper_limit(value, lo, hi, expected) -> None:
    assert text.estimate_or_none_seen(value, lo, hi) == expected


def test_an_observed_share_has_wilson_limits() -> None:
    # E. B. Wilson 1927, J. Am. Stat. Assoc. 22:209-212; R. G. Newcombe 1998, Stat. Med. 17:857-872, table I: 81 of 263
    # is 0.2553 to 0.3662, 15 of 148 is 0.0624 to 0.1605 (from memory)
    assert text.observed_share_text(81, 263) == "30.8% of 263 bleeds (25.5–36.6%)"
    assert text.observed_share_text(15, 148) == "10.1% of 148 bleeds (6.2–16.0%)"
    assert text.observed_share_text(0, 0) == "none recorded"
