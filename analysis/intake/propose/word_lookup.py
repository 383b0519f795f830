"""Look up the level of a field, or yes or no, that a word in a cell means in one of six languages."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from analysis.intake.convert.cleaned_text import FALSE, TRUE, normalise_level
from analysis.intake.propose.headings import abbreviation_score
from analysis.intake.propose.vocabulary import folded, is_out_of_scope, level_lexicon, negations, pairs, tokens
from schemas import Entry

MIN_ABBREVIATION_SCORE = 0.6
_OF_FOUR_WHEELS = ("fr", "rr")
"""Front right and rear right where the column has words for the left too; otherwise front and rear."""
FLUID_FIELDS = ("fluid_required", "fluid_used", "kit_fluid")


def word_levels(words: Sequence[str], entry: Entry) -> dict[str, str]:
    """The level of each known word of a column; V and A mean front and rear only if both occur."""
    if entry.name == "brake" and any(map(is_out_of_scope, words)):
        words = [word for word in words if not is_out_of_scope(word) and folded(word) not in _OF_FOUR_WHEELS]
    plain = {folded(word).strip(". "): word for word in words}
    for pair in pairs(entry.name):
        if set(plain) == set(pair):
            return {plain[word]: level for word, level in zip(pair, entry.levels, strict=True)}
    levels = ((word, word_level(word, entry)) for word in words)
    return {word: level for word, level in levels if level is not None}


def word_level(word: str, entry: Entry) -> str | None:
    """The level a word means; None if it is unknown."""
    key = normalise_level(word)
    own = {normalise_level(level): level for level in entry.levels}
    if entry.type == "true/false":
        own = {
            **dict.fromkeys(map(normalise_level, TRUE), "true"),
            **dict.fromkeys(map(normalise_level, FALSE), "false"),
        }
    if key in own:
        return own[key]
    names = ["fluid"] if entry.name in FLUID_FIELDS else [entry.name]
    names += ["yes_no"] if entry.type == "true/false" else []
    return next((level for name in names if (level := _meaning(word, name)) is not None), None)


def guess_from_one_word(words: Sequence[str], entry: Entry) -> list[tuple[str, str]]:
    """Unknown phrases of a yes/no column, each with the level that one of its words means."""
    if entry.type != "true/false":
        return []
    names = (entry.name, "yes_no")
    own = {normalise_level(word) for word in (*TRUE, *FALSE)}
    return [
        (word, level)
        for word, level in word_levels(words, entry).items()
        if normalise_level(word) not in own and not any(_whole_phrase(word, name) for name in names)
    ]


def _whole_phrase(word: str, name: str) -> str | None:
    """The level that a phrase as a whole means."""
    phrase, meanings = " ".join(tokens(word)) or word.strip(), level_lexicon(name).meanings
    spelled = next((s for s in (phrase, phrase.replace(" ", ""), word.strip()) if s in meanings), None)
    return None if spelled is None else next(iter(meanings[spelled]))


@cache
def _meaning(word: str, name: str) -> str | None:
    lexicon = level_lexicon(name)
    phrase = " ".join(tokens(word)) or word.strip()
    whole = _whole_phrase(word, name)
    if whole is not None or negations() & set(phrase.split()):
        return whole
    inside = [
        (len(part), level)
        for part, levels in lexicon.meanings.items()
        if len(part) > 2 and part not in lexicon.alone and f" {part}" in f" {phrase}"
        for level in levels
    ]
    if inside:
        return max(inside)[1]
    return _abbreviation(phrase, name) if phrase.isalpha() and 2 < len(phrase) < 7 else None


def _abbreviation(word: str, name: str) -> str | None:
    """The one level an abbreviation may mean (DRK is dark); None if two are equally likely."""
    scores: dict[str, float] = {}
    for whole, levels in level_lexicon(name).meanings.items():
        if len(whole) > len(word):
            for level in levels:
                scores[level] = max(scores.get(level, 0.0), abbreviation_score(word, whole))
    ranked = sorted(scores.items(), key=lambda pair: -pair[1])
    if not ranked or ranked[0][1] < MIN_ABBREVIATION_SCORE or (len(ranked) > 1 and ranked[1][1] >= ranked[0][1]):
        return None
    return ranked[0][0]
