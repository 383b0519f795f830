"""Texts and names are plain English: no word that reads like a translation, no name that is a bare participle."""

from __future__ import annotations

from tests.contract.plain_words import banned_names, banned_texts, repeated_modules


def test_no_text_says_what_plain_english_does_not() -> None:
    findings = [str(finding) for finding in banned_texts()]
    assert not findings, f"{len(findings)} texts:\n" + "\n".join(findings[:60])


def test_no_name_is_a_bare_participle_or_a_coined_word() -> None:
    findings = [str(finding) for finding in banned_names()]
    assert not findings, f"{len(findings)} names:\n" + "\n".join(findings[:60])


def test_each_module_name_occurs_once() -> None:
    assert repeated_modules() == {}
