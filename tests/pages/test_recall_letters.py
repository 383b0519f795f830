"""Texts for the riders of recalled bikes."""

from __future__ import annotations

import pytest

from analysis.errors import UserError
from analysis.pages import letter_template, recall_letters
from analysis.rounds import open_recalls
from tests.shops import report


def test_each_recalled_brake_has_a_letter_with_what_was_found_and_no_name() -> None:
    recalled, letters = open_recalls(report()), recall_letters(report()).split("-" * 60)
    assert len(letters) == recalled.height > 0
    for row, letter in zip(recalled.iter_rows(named=True), letters, strict=True):
        assert f"About your bike {row['bike_id']}, {row['brake']} brake" in letter
        assert row["session_id"] in letter
        assert row["technician"] not in letter
        assert ("Please do not ride the bike" in letter) == row["action"].startswith("Do not ride.")
        assert "Do not ride." not in letter
        assert row["rule"] != "long_travel" or "Please do not ride it until we have checked the lever." in letter
        assert f"We recorded {row['finding']}." in letter


def test_own_words_replace_ours() -> None:
    letters = recall_letters(report(), letter_template("Dear rider of {bike}: {ride}", "letter.txt"))
    assert letters.startswith(f"Dear rider of {open_recalls(report()).item(0, 'bike_id')}: ")


@pytest.mark.parametrize("text", ["Dear {rider}", "Dear {bike", "Dear {bike.__class__}", "{0}", "{}"])
def test_unknown_fields_are_refused(text: str) -> None:
    with pytest.raises(UserError, match=r"letter\.txt"):
        letter_template(text, "letter.txt")
