"""The trade's words in six languages, for headings and for cells; the words are in `vocabulary/*.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

from analysis.intake.convert.cleaned_text import tokens

LANGUAGES = ("en", "de", "fr", "nl", "es", "it")


@dataclass(frozen=True)
class Phrasing:
    """One way to name a field: the concepts a heading needs for it, and those it may also have."""

    needed: frozenset[str]
    optional: frozenset[str]


@dataclass(frozen=True)
class FieldVocabulary:
    """The ways to name a field, and a usual value in its own unit."""

    phrasings: tuple[Phrasing, ...]
    usual: float | None = None


@dataclass(frozen=True)
class Lexicon:
    """Words with their meanings and the languages of each meaning; those in `alone` are not looked for inside a word."""

    meanings: dict[str, dict[str, set[str]]] = field(default_factory=dict)
    alone: set[str] = field(default_factory=set)

    def add(self, words: str, meaning: str, language: str) -> None:
        """Add words separated by spaces; `_` joins the words of a phrase, `=` at the end marks one for `alone`."""
        for word in words.split():
            key = " ".join(tokens(word.rstrip("="))) or word.rstrip("=")
            self.meanings.setdefault(key, {}).setdefault(meaning, set()).add(language)
            if word.endswith("="):
                self.alone.add(key)


@cache
def concepts() -> Lexicon:
    """The words of headings, with the concepts each may mean."""
    lexicon = Lexicon()
    for language in LANGUAGES:
        for concept, words in _read_toml(language)["concepts"].items():
            lexicon.add(words, concept, language)
    return lexicon


@cache
def level_lexicon(name: str) -> Lexicon:
    """The words for the levels of a field; those of `yes_no` apply to every field with true and false."""
    lexicon = Lexicon()
    for language in LANGUAGES:
        for level, words in _read_toml(language)["values"].get(name, {}).items():
            lexicon.add(words, level, language)
    return lexicon


@cache
def pairs(name: str) -> tuple[tuple[str, ...], ...]:
    """Words that mean the levels of a field only if they occur together, in the order of the levels."""
    return tuple(tuple(pair.split()) for pair in _read_toml("grammar")["pairs"].get(name, ()))


@cache
def filler_words() -> frozenset[str]:
    """Words of headings without a meaning of their own: articles, prepositions."""
    return frozenset(_read_toml("grammar")["filler"]["words"].split())


@cache
def not_recorded_phrases() -> frozenset[str]:
    """Phrases for 'not recorded', their words separated by one space; signs without letters as they are."""
    words = (word.rstrip("=") for language in LANGUAGES for word in _read_toml(language)["missing"]["words"].split())
    return frozenset(" ".join(tokens(word)) or word for word in words)


_MAX_REMARK = 200
"""Characters of the longest cell that may be such a phrase."""


def says_not_recorded(cell: str) -> bool:
    """Whether a cell says in words that nothing was recorded: *weiß nicht*, *not known*."""
    return len(cell) <= _MAX_REMARK and (" ".join(tokens(cell)) or cell.strip()) in not_recorded_phrases()


@cache
def is_out_of_scope(cell: str) -> bool:
    """Whether a cell names a brake outside this log: one of four wheels, a clutch, or two brakes at once."""
    phrase = " ".join(tokens(cell[:_MAX_REMARK]))
    lexicon = level_lexicon("out_of_scope")
    return phrase in lexicon.meanings or any(
        f" {words} " in f" {phrase} " for words in lexicon.meanings if words not in lexicon.alone and len(words) > 3
    )


@cache
def negations() -> frozenset[str]:
    """Words that turn a heading into its opposite."""
    return frozenset(_read_toml("grammar")["negation"]["words"].split())


@cache
def field_vocabularies() -> dict[str, dict[str, FieldVocabulary]]:
    """The vocabulary of every field, by table and field."""
    return {
        table: {
            name: FieldVocabulary(tuple(_parse_phrasings(one["phrases"])), one.get("usual"))
            for name, one in fields.items()
        }
        for table, fields in _read_toml("fields").items()
    }


def _parse_phrasings(phrases: list[str]) -> Iterator[Phrasing]:
    for way in phrases:
        words = way.split()
        yield Phrasing(
            frozenset(word for word in words if not word.startswith("?")),
            frozenset(word[1:] for word in words if word.startswith("?")),
        )


@cache
def _read_toml(name: str) -> dict[str, Any]:
    return tomllib.loads(files("analysis.intake").joinpath("vocabulary", f"{name}.toml").read_text("utf-8"))
