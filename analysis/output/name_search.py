"""Find people's names in free text, however they are written there, and put codes in their place."""

from __future__ import annotations

import ast
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache

import polars as pl

RUN = re.compile(r"[^\W\d_]+|\d+")
UNEVEN = re.compile(r"[\x00-\x1f\x7f]|  ")
QUOTED = re.compile(r"""(?<!\w)(?:'(?:[^'\\]|\\.)*'|"(?:[^"\\]|\\.)*")""", re.DOTALL)
WITHOUT_FILE = re.compile(r"(?=the technicians '|the technicians \"|\d[\d,]* (?:bleeds?|pass|passes|more) )")
"""How those of our messages begin that name no file."""
ALIKE = {"ı": "i", **dict.fromkeys("’‘ʼ`´", "'"), **dict.fromkeys("“”„«»", '"'), "−": "-"}
DROPPED = ("Cc", "Cf", "Mn", "Me")
"""Unicode categories: control and format characters, marks set on a letter."""


class NameSearch:
    """Codes in place of names, in any text.

    A name is found whatever its case, accents, blanks, dashes and apostrophes, in composed or decomposed Unicode, and
    only as a whole word: a letter beside a letter or a digit beside a digit is part of a longer word, unless a capital
    follows a small letter (logWren2025). A name without any letter (a number, a sign) is not looked for: in free text
    that is a figure.

    Parameters
    ----------
    codes
        Codes by name. Where several names differ in capitals or accents alone, the one written exactly so counts, else
        the first.
    """

    def __init__(self, codes: dict[str, str]) -> None:
        self._codes = codes
        self._by_word: dict[str, list[tuple[str, int, str]]] = {}
        signs: set[str] = set()
        for name in sorted(codes):
            folded = folded_text(name)[0].strip()
            if folded in signs or not any(sign.isalpha() for sign in folded):
                continue
            signs.add(folded)
            first = next(RUN.finditer(folded))
            self._by_word.setdefault(first[0], []).append((folded, first.start(), codes[name]))
        for same in self._by_word.values():
            same.sort(key=lambda one: -len(one[0]))
        self._longest = max(map(len, self._by_word), default=0)

    def hide(self, text: str) -> str:
        """The text with a code for every name in it."""
        if not self._by_word:
            return text
        folded, places = folded_text(text)
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
        """A cell of a technicians' column: the code of that very name, else as in free text."""
        return self._codes.get(text.strip()) or self.hide(text)

    def hide_in_message(self, message: str, files: Iterable[str] = ()) -> str:
        """A sentence of ours with a code for every name in what it quotes, and in the file that it begins with.

        Parameters
        ----------
        message
            What came from the exports is in quotation marks in it.
        files
            What files are called; of others the name ends at the first colon.
        """
        known = [file for file in files if message.startswith(f"{file}: ")]
        label = WITHOUT_FILE.match(message) or re.match(r".*?(?=: )|", message, re.DOTALL)
        head = max(known, key=len) if known else label[0] if label else ""
        return self.hide(head) + QUOTED.sub(lambda match: self._hide_quoted(match[0]), message[len(head) :])

    def _hide_quoted(self, quoted: str) -> str:
        try:
            text = ast.literal_eval(quoted)
        except (ValueError, SyntaxError):
            return self.hide(quoted)
        hidden = self.hide_person(text)
        return quoted if hidden == text else repr(hidden)

    def changes(self, texts: pl.Series) -> dict[str, str]:
        """What becomes of each distinct text that holds a name."""
        distinct = texts.drop_nulls().unique()
        words = [word for word in self._by_word if word.isascii()]
        beyond_ascii = distinct.str.len_bytes() != distinct.str.len_chars()
        uneven = distinct.str.contains(r"[\x00-\x1f\x7f]")
        likely = distinct.filter(
            beyond_ascii | uneven | distinct.str.contains_any(words, ascii_case_insensitive=True)
            if words
            else beyond_ascii | uneven
        )
        return {text: hidden for text in likely if (hidden := self.hide(text)) != text}

    def _names_in(self, text: str, folded: str, places: list[int] | range) -> Iterator[tuple[int, int, str]]:
        for run in RUN.finditer(folded):
            humps = [at for at in range(run.start() + 1, run.end()) if _is_edge(text, folded, places, at)]
            for start in (run.start(), *humps):
                ends = [end for end in (*humps, run.end()) if start < end <= start + self._longest]
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
    """Whether a word can end and another begin at this place of the folded text."""
    left, right = folded[at - 1], folded[at]
    if left.isalpha() and right.isalpha():
        return text[places[at - 1]].islower() and text[places[at]].isupper()
    return not (left.isdigit() and right.isdigit())


def folded_text(text: str) -> tuple[str, list[int] | range]:
    """The text as names are compared, and where in `text` each of its characters comes from."""
    if text.isascii() and not UNEVEN.search(text) and "`" not in text:
        return text.lower(), range(len(text))
    signs, places = list[str](), list[int]()
    for place, sign in enumerate(text):
        for one in _folded_sign(sign):
            if one != " " or not signs or signs[-1] != " ":
                signs.append(one)
                places.append(place)
    return "".join(signs), places


@lru_cache(maxsize=100_000)
def _folded_sign(sign: str) -> str:
    if sign.isspace():
        return " "
    if unicodedata.category(sign) == "Pd":
        return "-"
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", ALIKE.get(sign, sign)).casefold())
    return "".join(ALIKE.get(one, one) for one in plain if unicodedata.category(one) not in DROPPED)


def one_to_one(texts: Iterable[str], hide: Callable[[pl.Series], dict[str, str]]) -> dict[str, str]:
    """What becomes of each text that holds a name, so that different texts stay different.

    Parameters
    ----------
    texts
        All texts that must stay apart.
    hide
        What becomes of those that hold a name.
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
