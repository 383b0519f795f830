"""Replace people's names by codes in any text, whatever their case, accents or spacing."""

from __future__ import annotations

import ast
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache

import polars as pl

WORD = re.compile(r"[^\W\d_]+|\d+")
IRREGULAR_SPACE = re.compile(r"[\x00-\x1f\x7f]|  ")
QUOTED = re.compile(r"""(?<!\w)(?:'(?:[^'\\]|\\.)*'|"(?:[^"\\]|\\.)*")""", re.DOTALL)
WITHOUT_FILE = re.compile(r"(?=the technicians '|the technicians \"|\d[\d,]* (?:bleeds?|pass|passes|more) )")
"""Beginnings of messages that do not start with a file name."""
EQUIVALENTS = {"ı": "i", **dict.fromkeys("’‘ʼ`´", "'"), **dict.fromkeys("“”„«»", '"'), "−": "-"}
LONGEST_PATTERN = 40
"""Characters of a word that texts are first searched for; a search for 200,000 of them takes minutes to prepare."""
IGNORED_CATEGORIES = ("Cc", "Cf", "Mn", "Me")
"""Unicode categories of control and format characters and of accents."""


class NameSearch:
    """Replace names by codes in any text.

    Case, accents, spaces, dashes, apostrophes and Unicode form are ignored. A name is found as a whole word only; a
    capital after a small letter begins a new word (logWren2025). A name without a letter is not searched for, because in
    free text it is a number.

    Parameters
    ----------
    codes
        Codes by name. Of names that differ only in case or accents, the one with the exact spelling is used, otherwise
        the first.
    """

    def __init__(self, codes: dict[str, str]) -> None:
        self._codes = codes
        self._by_word: dict[str, list[tuple[str, int, str]]] = {}
        seen_names: set[str] = set()
        for name in sorted(codes):
            folded = fold(name)[0].strip()
            if folded in seen_names or not any(character.isalpha() for character in folded):
                continue
            seen_names.add(folded)
            first = next(WORD.finditer(folded))
            self._by_word.setdefault(first[0], []).append((folded, first.start(), codes[name]))
        for same in self._by_word.values():
            same.sort(key=lambda one: -len(one[0]))
        self._longest = max(map(len, self._by_word), default=0)

    def hide(self, text: str) -> str:
        """The text with every name replaced by its code."""
        if not self._by_word:
            return text
        folded, places = fold(text)
        parts, done, free = list[str](), 0, 0
        for start, end, code in self._names_in(text, folded, places):
            if start < free:
                continue
            begin, free = places[start], end
            stop = places[end] if end < len(places) else len(text)
            parts += [text[done:begin], self._codes.get(text[begin:stop], code)]
            done = stop
        return "".join([*parts, text[done:]])

    def hide_person(self, text: str) -> str:
        """The code of a value from a technician column; any other text as in `hide`."""
        return self._codes.get(text.strip()) or self.hide(text)

    def hide_in_message(self, message: str, files: Iterable[str] = ()) -> str:
        """A message of this program with names replaced in its quotations and in the file name at its start.

        Parameters
        ----------
        message
            What came from the exports is in quotation marks in it.
        files
            What files are called; of others the name ends at the first colon.
        """
        recorded = [file for file in files if message.startswith(f"{file}: ")]
        label = WITHOUT_FILE.match(message) or re.match(r".*?(?=: )|", message, re.DOTALL)
        head = max(recorded, key=len) if recorded else label[0] if label else ""
        return self.hide(head) + QUOTED.sub(lambda match: self._hide_quoted(match[0]), message[len(head) :])

    def _hide_quoted(self, quoted: str) -> str:
        try:
            text = ast.literal_eval(quoted)
        except (ValueError, SyntaxError):
            return self.hide(quoted)
        hidden = self.hide_person(text)
        return quoted if hidden == text else repr(hidden)

    def changes(self, texts: pl.Series) -> dict[str, str]:
        """New text for each distinct text that contains a name."""
        distinct = texts.drop_nulls().unique()
        words = sorted({word[:LONGEST_PATTERN] for word in self._by_word if word.isascii()})
        not_ascii = distinct.str.len_bytes() != distinct.str.len_chars()
        irregular = distinct.str.contains(r"[\x00-\x1f\x7f]")
        likely = distinct.filter(
            not_ascii | irregular | distinct.str.contains_any(words, ascii_case_insensitive=True)
            if words
            else not_ascii | irregular
        )
        return {text: hidden for text in likely if (hidden := self.hide(text)) != text}

    def _names_in(self, text: str, folded: str, places: list[int] | range) -> Iterator[tuple[int, int, str]]:
        for word in WORD.finditer(folded):
            inner_edges = [at for at in range(word.start() + 1, word.end()) if _is_edge(text, folded, places, at)]
            for start in (word.start(), *inner_edges):
                ends = [end for end in (*inner_edges, word.end()) if start < end <= start + self._longest]
                candidates = (self._name_at(text, folded, places, start, end) for end in reversed(ends))
                yield from [name for name in candidates if name][:1]

    def _name_at(
        self, text: str, folded: str, places: list[int] | range, start: int, end: int
    ) -> tuple[int, int, str] | None:
        for name, before, code in self._by_word.get(folded[start:end], ()):
            begin = start - before
            if begin < 0 or not folded.startswith(name, begin):
                continue
            if begin + len(name) == len(folded) or _is_edge(text, folded, places, begin + len(name)):
                return begin, begin + len(name), code
        return None


def _is_edge(text: str, folded: str, places: list[int] | range, at: int) -> bool:
    """Whether a word may end and another begin at this position of the folded text."""
    before, after = folded[at - 1], folded[at]
    if before.isalpha() and after.isalpha():
        return text[places[at - 1]].islower() and text[places[at]].isupper()
    return not (before.isdigit() and after.isdigit())


def fold(text: str) -> tuple[str, list[int] | range]:
    """The text in the form in which names are compared, and the position in `text` of each of its characters."""
    if text.isascii() and not IRREGULAR_SPACE.search(text) and "`" not in text:
        return text.lower(), range(len(text))
    characters, places = list[str](), list[int]()
    for place, character in enumerate(text):
        for folded in _fold_character(character):
            if folded != " " or not characters or characters[-1] != " ":
                characters.append(folded)
                places.append(place)
    return "".join(characters), places


@lru_cache(maxsize=100_000)
def _fold_character(character: str) -> str:
    if character.isspace():
        return " "
    if unicodedata.category(character) == "Pd":
        return "-"
    plain = unicodedata.normalize(
        "NFKD", unicodedata.normalize("NFKD", EQUIVALENTS.get(character, character)).casefold()
    )
    return "".join(EQUIVALENTS.get(one, one) for one in plain if unicodedata.category(one) not in IGNORED_CATEGORIES)


def distinct_replacements(texts: Iterable[str], hide: Callable[[pl.Series], dict[str, str]]) -> dict[str, str]:
    """New text for each text that contains a name, so that different texts stay different.

    Parameters
    ----------
    texts
        All texts of the column.
    hide
        Function that gives the new text of those that contain a name.
    """
    every = pl.Series("text", list(texts), dtype=pl.String).drop_nulls().unique()
    changed = hide(every)
    used = set(every) - changed.keys() if changed else set()
    for old in sorted(changed):
        new, number = changed[old], 2
        while changed[old] in used:
            changed[old], number = f"{new} ({number})", number + 1
        used.add(changed[old])
    return changed
