"""Texts and names are plain English: no word that reads like a translation, no name that is a bare participle."""

from __future__ import annotations

import re

import pytest

from tests.contract.plain_words import TEXT_RULES, banned_names, banned_texts, is_banned_name, repeated_modules


def test_no_text_says_what_plain_english_does_not() -> None:
    findings = [str(finding) for finding in banned_texts()]
    assert not findings, f"{len(findings)} texts:\n" + "\n".join(findings[:60])


def test_no_name_is_a_bare_participle_or_a_coined_word() -> None:
    findings = [str(finding) for finding in banned_names()]
    assert not findings, f"{len(findings)} names:\n" + "\n".join(findings[:60])


def test_each_module_name_occurs_once() -> None:
    assert repeated_modules() == {}


@pytest.mark.parametrize("text", ["risks are foretold", "drawn by lot", "the table stands beside it", "mend the map"])
def test_a_text_with_a_banned_word_is_found(text: str) -> None:
    assert any(re.search(pattern, text, re.IGNORECASE) for pattern in TEXT_RULES.values())


@pytest.mark.parametrize(
    ("name", "is_banned"),
    [("told", True), ("risk_told", True), ("HandsBeside", True), ("fluid_lot", False), ("predict", False)],
)
def test_a_banned_name_is_found(name: str, is_banned: bool) -> None:
    assert is_banned_name(name) == is_banned
