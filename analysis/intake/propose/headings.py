"""The meaning of a heading: its words as concepts of the trade, and the unit it names."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from analysis.intake.convert.cleaned_text import tokens
from analysis.intake.convert.numbers import unit_name_in_map
from analysis.intake.propose.vocabulary import FieldVocabulary, concepts, filler_words, negations

_MAX_PHRASE = 4
"""Words of the longest phrase that is looked up."""
_MIN_STEM = 4
"""Letters of the shortest stem that is looked for inside a word."""
_LINKING_LETTERS = ("", "s", "n", "en", "es", "e", "er")
"""Letters between the words of a compound."""
_UNKNOWN_WEIGHT = 0.5
_OTHER_LANGUAGE = 0.75
"""Certainty of a word that only another language than the file's has."""
_UNRELATED = 0.5
"""Factor on the score of a heading with a word for something that is not in the log: an invoice, the next date."""
_WEIGHTS = {
    "number": 0.7, "count": 0.5, "name": 0.3, "which": 0.2, "checked": 0.5, "date": 0.6, "minutes": 0.5, "done": 0.3,
    "seconds": 0.5, "time": 0.5, "port": 0.7, "moved": 0.6, "kind": 0.6, "start": 0.8, "held": 0.2, "seen": 0.3,
    "total": 0.3, "through": 0.4, "set": 0.5, "shop": 0.9, "fitted": 0.7, "job": 0.8, "work": 0.7, "customer": 0.5,
}  # fmt: skip
"""Weights of concepts that say little by themselves; every other has weight 1."""
_BRACKETED = re.compile(r"[\[(<{]([^\[\](){}<>]++)[\])>}]")
_MAX_HEADING = 500
_MAX_WORD = 100
"""Letters of the longest word that is split into known words; for a longer one that takes minutes."""
Sense = dict[str, float]
"""Concepts one word may mean, each with a certainty (0-1); empty for an unknown word."""


@dataclass(frozen=True)
class Heading:
    """A heading, the senses of its words, the unit it names (as a map spells it, or None), and its words."""

    text: str
    senses: tuple[Sense, ...]
    unit: str | None
    words: tuple[str, ...] = ()


def headings(texts: Iterable[str]) -> list[Heading]:
    """The meaning of each heading of a file; meanings in the file's own language and in English are more certain."""
    split = [(text, *_words_and_unit(text)) for text in texts]
    language = _main_language(word for _, words, _ in split for word in words)
    return [_interpret_heading(text, words, unit, language) for text, words, unit in split]


def name_similarity(heading: Heading, vocabulary: FieldVocabulary) -> float:
    """How well a heading names a field, 0-1: it has all concepts of one phrasing, and little else."""
    return max(
        (_phrase_similarity(heading.senses, one.needed, one.needed | one.optional) for one in vocabulary.phrasings),
        default=0.0,
    )


def _phrase_similarity(senses: tuple[Sense, ...], needed: frozenset[str], allowed: frozenset[str]) -> float:
    if not senses:
        return 0.0
    scores = {concept: max(sense.get(concept, 0.0) for sense in senses) for concept in needed}
    recall = sum(_concept_weight(c) * score for c, score in scores.items()) / sum(_concept_weight(c) for c in needed)
    weights = [max((_concept_weight(c) for c in sense), default=_UNKNOWN_WEIGHT) for sense in senses]
    on_topic = [
        max((_concept_weight(c) * sure for c, sure in sense.items() if c in allowed), default=0.0) for sense in senses
    ]
    precision = min(1.0, sum(on_topic) / sum(weights))
    unrelated = any(
        max(sense, key=lambda c: (sense[c], c != "unrelated"), default="") == "unrelated" for sense in senses
    )
    return recall**1.5 * (0.3 + 0.7 * precision) * (_UNRELATED if unrelated else 1.0)


def irrelevant_words(heading: Heading, vocabulary: FieldVocabulary) -> tuple[str, ...]:
    """Words of a heading that are not in the most similar phrasing of a field."""
    best = max(
        vocabulary.phrasings,
        key=lambda one: _phrase_similarity(heading.senses, one.needed, one.needed | one.optional),
        default=None,
    )
    allowed = best.needed | best.optional if best else frozenset()
    return tuple(
        word
        for word, sense in zip(heading.words, heading.senses, strict=True)
        if max((sense.get(concept, 0.0) for concept in allowed), default=0.0) < _UNKNOWN_WEIGHT
        and max((_concept_weight(concept) for concept in sense), default=_UNKNOWN_WEIGHT) >= _UNKNOWN_WEIGHT
    )


def _interpret_heading(text: str, words: list[str], unit: str | None, language: str) -> Heading:
    word_senses = _find_senses(words, language)
    return Heading(text, tuple(sense for _, sense in word_senses), unit, tuple(word for word, _ in word_senses))


def _concept_weight(concept: str) -> float:
    return _WEIGHTS.get(concept, 1.0)


def _words_and_unit(text: str) -> tuple[list[str], str | None]:
    """The words of a heading without the unit it names in brackets or at its end, and that unit."""
    text = text[:_MAX_HEADING]
    for bracketed in _BRACKETED.findall(text):
        unit = unit_name_in_map(bracketed.strip())
        if unit:
            return tokens(_BRACKETED.sub(" ", text)), unit
    words = tokens(text)
    for length in (2, 1):
        if len(words) > length:
            unit = unit_name_in_map(" ".join(words[-length:]))
            if unit and not _is_not_a_unit(text, words, length):
                return words[:-length], unit
    sign = re.search(r'[%"″]|°\s?[CF]\b', text)
    return words, unit_name_in_map(sign[0]) if sign else None


def _is_not_a_unit(text: str, words: list[str], length: int) -> bool:
    """Whether what looks like a unit at the end is one of two letters (`v/h`) or belongs to a phrase of the trade."""
    phrase = " ".join(words[-length - 1 :])
    return phrase in concepts().meanings or bool(re.search(r"\b\w/\w\W*$", text))


def _main_language(words: Iterable[str]) -> str:
    """The language of most of the words; English if two have as many."""
    meanings = concepts().meanings
    counts = Counter(language for word in words if word in meanings for language in set.union(*meanings[word].values()))
    return max(counts, key=lambda language: (counts[language], language == "en"), default="en")


def _find_senses(words: list[str], language: str) -> list[tuple[str, Sense]]:
    """The words and phrases of a heading with their senses, filler words left out."""
    senses: list[tuple[str, Sense]] = []
    start = 0
    while start < len(words):
        phrases = (words[start : start + length] for length in range(min(_MAX_PHRASE, len(words) - start), 1, -1))
        longest = next((one for one in phrases if " ".join(one) in concepts().meanings), words[start : start + 1])
        phrase = " ".join(longest)
        if phrase not in filler_words() or len(words) == 1:
            senses += [(phrase, sense) for sense in _senses_of_word(phrase, language)]
        start += len(longest)
    return senses


@cache
def _senses_of_word(word: str, language: str) -> list[Sense]:
    """The senses of one word: as it is, as a compound, by the stems in it, or as an abbreviation."""
    if len(word) > _MAX_WORD:
        return []
    for spelled in dict.fromkeys((word, re.sub(r"([aou])e", r"\1", word))):
        if spelled in concepts().meanings:
            return [_sense_or_abbreviation(spelled, language)]
        parts = _split_compound(spelled, 3)
        if parts:
            return [_dictionary_sense(part, language, 1.0) for part in parts]
    stems = _find_stems(word)
    if stems:
        return [_dictionary_sense(stem, language, 0.9) for stem in stems]
    if word.isdigit() or (len(word) == 1 and not word.isalpha()):
        return []
    return [_expand_abbreviation(word, language)]


def _sense_or_abbreviation(word: str, language: str) -> Sense:
    """A known word; one of another language may also abbreviate a word of the file's own (`rem` is not always a brake)."""
    sense = _dictionary_sense(word, language, 1.0)
    if len(word) < 2 or (max(sense.values()) == 1.0 and not (len(word) == 3 and word in concepts().alone)):
        return sense
    abbreviated = _expand_abbreviation(word, language)
    return {concept: max(sense.get(concept, 0.0), abbreviated.get(concept, 0.0)) for concept in (*sense, *abbreviated)}


def _dictionary_sense(word: str, language: str, certainty: float) -> Sense:
    return {
        concept: certainty * (1.0 if language in languages or "en" in languages else _OTHER_LANGUAGE)
        for concept, languages in concepts().meanings[word].items()
    }


def _split_compound(word: str, at_most: int) -> list[str]:
    """The known words of a compound, joined directly or by the usual linking letters; empty if it is not one."""
    if len(word) < 3:
        return []
    meanings = concepts().meanings
    for cut in range(len(word), 2, -1):
        head = word[:cut]
        if head not in meanings:
            continue
        if word[cut:] in meanings and "number" in meanings[word[cut:]]:
            return [head, word[cut:]]
        for link in _LINKING_LETTERS:
            rest = word[cut + len(link) :]
            if word[cut:].startswith(link) and (
                not rest or (at_most > 1 and (tail := _split_compound(rest, at_most - 1)))
            ):
                return [head, *(tail if rest else [])]
    return []


def _find_stems(word: str) -> list[str]:
    """Known words inside a word that do not overlap, in the order of the text; longer ones take precedence."""
    lexicon = concepts()
    stems, rest = [], word
    for stem in _long_stems():
        if stem in rest and (len(stem) > _MIN_STEM or rest.startswith(stem)) and stem not in lexicon.alone:
            stems.append((word.find(stem), stem))
            rest = rest.replace(stem, "|", 1)
    return [stem for _, stem in sorted(stems)]


@cache
def _long_stems() -> tuple[str, ...]:
    lexicon = concepts()
    stems = (w for w in lexicon.meanings if len(w) >= _MIN_STEM and " " not in w and w not in lexicon.alone)
    return tuple(sorted(stems, key=lambda stem: (-len(stem), stem)))


def _expand_abbreviation(word: str, language: str) -> Sense:
    """What an abbreviation may mean: the words of which it is the beginning, the consonants, or letters in order."""
    senses: Sense = {}
    if word in negations():
        return senses
    if len(word) > 2 and word.endswith("s"):
        senses = dict(_expand_abbreviation(word[:-1], language))
    for whole, meanings in concepts().meanings.items():
        score = abbreviation_score(word, whole) if len(whole) > len(word) and whole not in concepts().alone else 0.0
        if score:
            for concept, languages in meanings.items():
                own_language = 1.0 if "en" in languages or language in languages else 0.6
                senses[concept] = max(senses.get(concept, 0.0), score * own_language)
    return senses


def abbreviation_score(word: str, whole: str) -> float:
    """How likely a word abbreviates another, 0-1: as its beginning, its consonants, or letters of it in order."""
    if word[0] != whole[0] or len(word) < 2:
        return 0.0
    consonants = whole[0] + re.sub(r"[aeiouy\s]", "", whole[1:]).replace("ck", "k" if "ck" not in word else "ck")
    if whole.startswith(word):
        return 0.8 if len(word) > 2 else 0.5
    if word == consonants or (len(word) > 2 and consonants.startswith(word)):
        return 0.8
    letters = iter(whole)
    if all(letter in letters for letter in word):
        return 0.35 + 0.4 * len(word) / len(whole) if len(word) > 2 else 0.3
    return 0.0
