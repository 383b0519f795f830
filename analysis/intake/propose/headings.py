"""What a heading speaks of: its words as concepts of the trade, and the unit it names."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from analysis.intake.convert.units import unit_named
from analysis.intake.propose.vocabulary import FieldVocabulary, concepts, little_words, negations, tokens

_LONGEST_PHRASE = 4
_SHORTEST_STEM = 4
_LINKS = ("", "s", "n", "en", "es", "e", "er")
_UNKNOWN = 0.5
_FOREIGN = 0.75
_ASIDE = 0.5
"""What is left of a likeness where a word speaks of something that is none of the log's: an invoice, the next date."""
_LIGHT = {
    "number": 0.7, "count": 0.5, "name": 0.3, "which": 0.2, "checked": 0.5, "date": 0.6, "minutes": 0.5, "done": 0.3,
    "seconds": 0.5, "time": 0.5, "port": 0.7, "moved": 0.6, "kind": 0.6, "start": 0.8, "held": 0.2, "seen": 0.3,
    "total": 0.3, "through": 0.4, "set": 0.5, "shop": 0.9, "fitted": 0.7, "job": 0.8, "work": 0.7, "customer": 0.5,
}  # fmt: skip
"""Concepts that tell little by themselves; every other weighs 1."""
_BRACKETED = re.compile(r"[\[(<{]([^\[\](){}<>]++)[\])>}]")
_LONGEST_HEADING = 500
_LONGEST_WORD = 100
"""Letters of a word that may still mean something; cutting up a longer one takes minutes."""
Sense = dict[str, float]
"""Concepts one word may mean, each with how surely it does (0–1); empty for a word nobody knows."""


@dataclass(frozen=True)
class Heading:
    """A heading as it stands, the senses of its words, the unit it names (a name of the map's, or None), and its words."""

    text: str
    senses: tuple[Sense, ...]
    unit: str | None
    words: tuple[str, ...] = ()


def headings(texts: Iterable[str]) -> list[Heading]:
    """The sense of each heading of a file; words of the file's own language and English weigh more."""
    split = [(text, *_words_and_unit(text)) for text in texts]
    spoken = _language(word for _, words, _ in split for word in words)
    return [_heading(text, words, unit, spoken) for text, words, unit in split]


def name_similarity(heading: Heading, vocabulary: FieldVocabulary) -> float:
    """How well a heading names a field, 0–1: all concepts of one way to say it are there, and little else is."""
    return max(
        (_similarity(heading.senses, way.needed, way.needed | way.optional) for way in vocabulary.phrasings),
        default=0.0,
    )


def _similarity(senses: tuple[Sense, ...], needed: frozenset[str], allowed: frozenset[str]) -> float:
    if not senses:
        return 0.0
    scores = {concept: max(sense.get(concept, 0.0) for sense in senses) for concept in needed}
    recall = sum(_weight(c) * sure for c, sure in scores.items()) / sum(_weight(c) for c in needed)
    weights = [max((_weight(c) for c in sense), default=_UNKNOWN) for sense in senses]
    on_topic = [max((_weight(c) * sure for c, sure in sense.items() if c in allowed), default=0.0) for sense in senses]
    precision = min(1.0, sum(on_topic) / sum(weights))
    foreign = any(max(sense, key=lambda c: (sense[c], c != "aside"), default="") == "aside" for sense in senses)
    return recall**1.5 * (0.3 + 0.7 * precision) * (_ASIDE if foreign else 1.0)


def irrelevant_words(heading: Heading, vocabulary: FieldVocabulary) -> tuple[str, ...]:
    """Words of a heading that the likeliest way to speak of a field has no place for."""
    ways = [way.needed | way.optional for way in vocabulary.phrasings]
    best = max(
        vocabulary.phrasings,
        key=lambda way: _similarity(heading.senses, way.needed, way.needed | way.optional),
        default=None,
    )
    allowed = ways[vocabulary.phrasings.index(best)] if best else frozenset()
    return tuple(
        word
        for word, sense in zip(heading.words, heading.senses, strict=True)
        if max((sense.get(concept, 0.0) for concept in allowed), default=0.0) < _UNKNOWN
        and max((_weight(concept) for concept in sense), default=_UNKNOWN) >= _UNKNOWN
    )


def _heading(text: str, words: list[str], unit: str | None, language: str) -> Heading:
    word_senses = _senses(words, language)
    return Heading(text, tuple(sense for _, sense in word_senses), unit, tuple(word for word, _ in word_senses))


def _weight(concept: str) -> float:
    return _LIGHT.get(concept, 1.0)


def _words_and_unit(text: str) -> tuple[list[str], str | None]:
    """The words of a heading without the unit it names, in brackets or at its end; of a long one, of its beginning."""
    text = text[:_LONGEST_HEADING]
    for bracketed in _BRACKETED.findall(text):
        unit = unit_named(bracketed.strip())
        if unit:
            return tokens(_BRACKETED.sub(" ", text)), unit
    words = tokens(text)
    for length in (2, 1):
        if len(words) > length:
            unit = unit_named(" ".join(words[-length:]))
            if unit and not _says_more(text, words, length):
                return words[:-length], unit
    sign = re.search(r'[%"″]|°\s?[CF]\b', text)
    return words, unit_named(sign[0]) if sign else None


def _says_more(text: str, words: list[str], length: int) -> bool:
    """Whether a unit at the end is rather a letter beside another (`v/h`), or part of a phrase of the trade."""
    phrase = " ".join(words[-length - 1 :])
    return phrase in concepts().meanings or bool(re.search(r"\b\w/\w\W*$", text))


def _language(words: Iterable[str]) -> str:
    meanings = concepts().meanings
    heard = Counter(language for word in words if word in meanings for language in set.union(*meanings[word].values()))
    return max(heard, key=lambda language: (heard[language], language == "en"), default="en")


def _senses(words: list[str], language: str) -> list[tuple[str, Sense]]:
    senses: list[tuple[str, Sense]] = []
    place = 0
    while place < len(words):
        length = next(
            (n for n in range(_LONGEST_PHRASE, 1, -1) if " ".join(words[place : place + n]) in concepts().meanings
             and place + n <= len(words)),
            1,
        )  # fmt: skip
        phrase = " ".join(words[place : place + length])
        if phrase not in little_words() or len(words) == 1:
            senses += [(phrase, sense) for sense in _senses_of(phrase, language)]
        place += length
    return senses


@cache
def _senses_of(word: str, language: str) -> list[Sense]:
    """The senses of one word: as it stands, as a compound, by its stem, or as an abbreviation."""
    if len(word) > _LONGEST_WORD:
        return []
    for spelled in dict.fromkeys((word, re.sub(r"([aou])e", r"\1", word))):
        if spelled in concepts().meanings:
            return [_foreign_or_clipped(spelled, language)]
        parts = _compound(spelled, 3)
        if parts:
            return [_sense(part, language, 1.0) for part in parts]
    stems = _stems(word)
    if stems:
        return [_sense(stem, language, 0.9) for stem in stems]
    if word.isdigit() or (len(word) == 1 and not word.isalpha()):
        return []
    return [_abbreviated(word, language)]


def _foreign_or_clipped(word: str, language: str) -> Sense:
    """A known word; one of another language may as well be a clipped word of the file's own (`rem` is no brake here)."""
    sense = _sense(word, language, 1.0)
    if len(word) < 2 or (max(sense.values()) == 1.0 and not (len(word) == 3 and word in concepts().alone)):
        return sense
    clips = _abbreviated(word, language)
    return {concept: max(sense.get(concept, 0.0), clips.get(concept, 0.0)) for concept in (*sense, *clips)}


def _sense(word: str, language: str, sure: float) -> Sense:
    return {
        concept: sure * (1.0 if language in languages or "en" in languages else _FOREIGN)
        for concept, languages in concepts().meanings[word].items()
    }


def _compound(word: str, at_most: int) -> list[str]:
    """The known words a compound is made of, letter by letter, joined by the usual linking letters."""
    if len(word) < 3:
        return []
    known = concepts().meanings
    for cut in range(len(word), 2, -1):
        head = word[:cut]
        if head not in known:
            continue
        if word[cut:] in known and "number" in known[word[cut:]]:
            return [head, word[cut:]]
        for link in _LINKS:
            rest = word[cut + len(link) :]
            if word[cut:].startswith(link) and (not rest or (at_most > 1 and (tail := _compound(rest, at_most - 1)))):
                return [head, *(tail if rest else [])]
    return []


def _stems(word: str) -> list[str]:
    """Known stems within a word, longest first, that do not overlap."""
    lexicon = concepts()
    stems, rest = [], word
    for stem in _long_stems():
        if stem in rest and (len(stem) > _SHORTEST_STEM or rest.startswith(stem)) and stem not in lexicon.alone:
            stems.append((word.find(stem), stem))
            rest = rest.replace(stem, "|", 1)
    return [stem for _, stem in sorted(stems)]


@cache
def _long_stems() -> tuple[str, ...]:
    lexicon = concepts()
    stems = (w for w in lexicon.meanings if len(w) >= _SHORTEST_STEM and " " not in w and w not in lexicon.alone)
    return tuple(sorted(stems, key=lambda stem: (-len(stem), stem)))


def _abbreviated(word: str, language: str) -> Sense:
    """What a clipped word may stand for: the start of a word, its consonants, or letters of it in order."""
    senses: Sense = {}
    if word in negations():
        return senses
    if len(word) > 2 and word.endswith("s"):
        senses = dict(_abbreviated(word[:-1], language))
    for whole, meanings in concepts().meanings.items():
        sure = clipped(word, whole) if len(whole) > len(word) and whole not in concepts().alone else 0.0
        if sure:
            for concept, languages in meanings.items():
                spoken_in = 1.0 if "en" in languages or language in languages else 0.6
                senses[concept] = max(senses.get(concept, 0.0), sure * spoken_in)
    return senses


def clipped(word: str, whole: str) -> float:
    """How surely a word is a clipped form of another, 0–1: its start, its consonants, or letters of it in order."""
    if word[0] != whole[0] or len(word) < 2:
        return 0.0
    bones = whole[0] + re.sub(r"[aeiouy\s]", "", whole[1:]).replace("ck", "k" if "ck" not in word else "ck")
    if whole.startswith(word):
        return 0.8 if len(word) > 2 else 0.5
    if word == bones or (len(word) > 2 and bones.startswith(word)):
        return 0.8
    letters = iter(whole)
    if all(letter in letters for letter in word):
        return 0.35 + 0.4 * len(word) / len(whole) if len(word) > 2 else 0.3
    return 0.0
