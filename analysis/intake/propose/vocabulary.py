"""The trade's words in six languages: what headings speak of and what cells say, as data in `vocabulary/`."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

LANGUAGES = ("en", "de", "fr", "nl", "es", "it")


@dataclass(frozen=True)
class Phrasing:
    """One way to speak of a field: the concepts it takes, and those that may stand beside them."""

    needed: frozenset[str]
    optional: frozenset[str]


@dataclass(frozen=True)
class FieldVocabulary:
    """How headings speak of a field, and a middling value of it in its own unit."""

    phrasings: tuple[Phrasing, ...]
    usual: float | None = None


@dataclass(frozen=True)
class Lexicon:
    """Words, each with its meanings and the languages it has them in; `alone` are never looked for within a word."""

    meanings: dict[str, dict[str, set[str]]] = field(default_factory=dict)
    alone: set[str] = field(default_factory=set)

    def add(self, words: str, meaning: str, language: str) -> None:
        """Words apart by spaces; `_` joins words, `=` at the end marks one that only means it standing alone."""
        for word in words.split():
            key = " ".join(tokens(word.rstrip("="))) or word.rstrip("=")
            self.meanings.setdefault(key, {}).setdefault(meaning, set()).add(language)
            if word.endswith("="):
                self.alone.add(key)


@cache
def concepts() -> Lexicon:
    """Every word a heading may be made of, with the concepts it may mean."""
    lexicon = Lexicon()
    for language in LANGUAGES:
        for concept, words in _read_toml(language)["concepts"].items():
            lexicon.add(words, concept, language)
    return lexicon


@cache
def level_lexicon(name: str) -> Lexicon:
    """Every word for the levels of a field; `yes_no` words serve every field with true and false."""
    lexicon = Lexicon()
    for language in LANGUAGES:
        for level, words in _read_toml(language)["values"].get(name, {}).items():
            lexicon.add(words, level, language)
    return lexicon


@cache
def pairs(name: str) -> tuple[tuple[str, ...], ...]:
    """Words for the levels of a field that tell them only together, in the order of the levels."""
    return tuple(tuple(pair.split()) for pair in _read_toml("grammar")["pairs"].get(name, ()))


@cache
def little_words() -> frozenset[str]:
    """Words that a heading has between the telling ones."""
    return frozenset(_read_toml("grammar")["between"]["words"].split())


@cache
def missing_lexicon() -> frozenset[str]:
    """Phrases that say nothing was recorded, their words apart by one space; signs alone as they stand."""
    words = (word.rstrip("=") for language in LANGUAGES for word in _read_toml(language)["missing"]["words"].split())
    return frozenset(" ".join(tokens(word)) or word for word in words)


_LONGEST_REMARK = 200


def says_nothing(cell: str) -> bool:
    """Whether a cell says in words that its writer recorded nothing: *weiß nicht*, *not known*."""
    return len(cell) <= _LONGEST_REMARK and (" ".join(tokens(cell)) or cell.strip()) in missing_lexicon()


@cache
def negations() -> frozenset[str]:
    """Words that turn what a heading says into its opposite."""
    return frozenset(_read_toml("grammar")["negation"]["words"].split())


@cache
def field_vocabulary() -> dict[str, dict[str, FieldVocabulary]]:
    """For every table and field, how headings speak of it."""
    return {
        table: {name: FieldVocabulary(tuple(_phrasings(one["said"])), one.get("usual")) for name, one in fields.items()}
        for table, fields in _read_toml("fields").items()
    }


def folded(text: str) -> str:
    """Lower case, without accents: `Bremsflüssigkeit` is bremsflussigkeit."""
    apart = unicodedata.normalize("NFKD", text.replace("ß", "ss").replace("ø", "o").casefold())
    return "".join(sign for sign in apart if not unicodedata.combining(sign)).strip()


def tokens(text: str) -> list[str]:
    """The words of a heading or cell, humps apart: `LeverTravel_mm` is lever, travel, mm."""
    apart = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", text)
    return re.findall(r"[^\W_]+|[✓✔☑✗✘☐#]", folded(apart))


def _phrasings(phrases: list[str]) -> Iterator[Phrasing]:
    for way in phrases:
        words = way.split()
        yield Phrasing(
            frozenset(word for word in words if not word.startswith("?")),
            frozenset(word[1:] for word in words if word.startswith("?")),
        )


@cache
def _read_toml(name: str) -> dict[str, Any]:
    return tomllib.loads(files("analysis.intake").joinpath("vocabulary", f"{name}.toml").read_text("utf-8"))
