"""Texts for the riders of recalled bikes."""

from __future__ import annotations

import pytest

from analysis.errors import UserError
from analysis.pages import letter_template, recall_letters
from analysis.rounds import open_recalls
from tests.build import bleed
from tests.pages.test_recalls import audited
from tests.shops import report


def test_each_recalled_brake_has_a_letter_with_what_was_found_and_no_name() -> None:
    recalled, letters = open_recalls(report()), recall_letters(report()).split("-" * 60)
    assert len(letters) == recalled.height > 0
    for row, letter in zip(recalled.iter_rows(named=True), letters, strict=True):
        assert f"About your bike {row['bike_id']}, {row['brake']} brake" in letter
        assert row["session_id"] in letter
        assert row["technician"] not in letter
        assert ("Please do not ride the bike until a mechanic" in letter) == row["action"].startswith("Do not ride.")
        assert "Do not ride." not in letter
        assert row["rule"] != "long_travel" or "Please do not ride the bike until we have checked the lever." in letter
        assert f"Our records show {row['finding']}." in letter


def test_a_letter_goes_by_the_most_serious_reason_whichever_bleed_it_is_from() -> None:
    dot, lesser = {"fluid_required": "dot5.1", "fluid_used": "dot4"}, {"bike_id": "B2", "brake": "rear"}
    bleeds = [
        bleed("J1", "2026-06-01", fluid_required="dot5.1", fluid_used="mineral"),
        bleed("J2", "2026-06-20", **dot),
        bleed("J3", "2026-06-05", leak_seen=True, **lesser),
        bleed("J4", "2026-06-21", **dot, **lesser),
        bleed("J5", "2026-06-22", bike_id="B3", hard_pull_firm=False, **dot),
    ]
    other_family, leak, soft = recall_letters(audited(bleeds)).split("-" * 60)
    assert "job J2" in other_family
    assert "replace the parts the maker lists" in other_family
    assert "job J4" in leak
    assert "We will find the leak and repair it. We will drain it" in leak
    assert "job J5" in soft
    assert "replace the parts" not in soft
    assert all("Please do not ride the bike until a mechanic" in letter for letter in (other_family, leak, soft))


def test_own_words_replace_ours() -> None:
    letters = recall_letters(report(), letter_template("Dear rider of {bike}: {ride}", "letter.txt"))
    assert letters.startswith(f"Dear rider of {open_recalls(report()).item(0, 'bike_id')}: ")


@pytest.mark.parametrize("text", ["Dear {rider}", "Dear {bike", "Dear {bike.__class__}", "{0}", "{}"])
def test_unknown_fields_are_refused(text: str) -> None:
    with pytest.raises(UserError, match=r"letter\.txt"):
        letter_template(text, "letter.txt")
