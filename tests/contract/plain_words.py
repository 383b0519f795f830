"""Words and names this project does not use, and where each text and name of it is found."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
CODE = ("analysis", "schemas", "synthetic", "tests")
DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "analysis/**/*.md", "schemas/*.md", "tests/**/*.md")

TEXT_RULES = {
    "tell, told": r"\b(re)?tells?\b|\btold\b|\btelling\b|\bforetell\w*|\bforetold\b|\buntold\b",
    "hear, speak": r"\bhears?\b|\bheard\b|\bspeaks?\b|\bspoken\b",
    "stand as a verb": r"\bstands\b|\bstood\b|\b(the|a) stand\b(?! readings)|\bstand (as|in|beside|below|above|here|there|for itself)\b",
    "lie as a verb": r"\blies\b|\b(figures|rates|risks|values|rows|limits) lie\b",
    "part as a verb": r"\bpart (from|little|company)\b|\bparts (from|little)\b|\bpart filled\b",
    "spare as a verb": r"\bspared\b|\bsparing\b|\bspares\b|\bcomebacks? spare\b",
    "mend": r"\bmend(s|ed|ing)?\b",
    "reckon": r"\breckon\w*",
    "lean": r"\blean(s|ed|ing)?\b",
    "by lot": r"\b(by|drawn by|in) lot\b|\blots (of|are|is) (a|the) stage\b",
    "nought": r"\bnoughts?\b",
    "whoever": r"\bwhoever\b|\bwhomever\b|\bwhatsoever\b|\bwhosoever\b",
    "in vain": r"\bin vain\b",
    "so many": r"\bso many\b|\bas much as\b|\bso long as it\b",
    "beside": r"\bbeside\b|\bamiss\b|\basunder\b",
    "for ever": r"\bfor ever\b",
    "no verdict": r"\b(is|are|never a) no verdict\b|\bnever a verdict\b|\bno clearance\b",
    "in turns": r"\bin turns\b|\bby turns\b|\bof itself\b",
    "set aside": r"\bset aside\b(?! memory)",
    "beyond chance": r"\bbeyond chance\b|\bmore than chance\b|\bwithin chance\b",
}
"""What no text of the project says; each a pattern that ignores case."""

BARE_NAMES = frozenset(
    [
        "told",
        "found",
        "held",
        "shown",
        "settled",
        "judged",
        "asked",
        "seen",
        "kept",
        "given",
        "drawn",
        "came",
        "written",
        "wanted",
        "left",
        "lent",
        "sent",
        "taken",
        "tried",
        "beside",
        "near",
        "around",
        "along",
        "below",
        "above",
        "amiss",
        "apart",
        "untold",
        "foretold",
        "known",
        "named",
        "made",
        "marked",
        "meant",
        "met",
        "heard",
        "aside",
        "spared",
        "worth",
    ]
)
"""Participles, adverbs and prepositions that are nobody's whole name."""
BANNED_PARTS = frozenset(
    [
        "told",
        "tell",
        "tells",
        "telling",
        "foretold",
        "foretell",
        "spared",
        "nought",
        "noughts",
        "whoever",
        "beside",
        "hears",
        "heard",
        "reckon",
        "reckoned",
        "mend",
        "mended",
        "lent",
        "lending",
        "amiss",
        "hands",
        "furniture",
        "holdings",
        "rivals",
    ]
)
"""Words that are no part of a name."""
NAME_EXCEPTIONS: dict[str, str] = {
    "met": "whether a target is met, a column of prove.csv",
}
"""A name that has one of these all the same, and why."""


LIBRARY_KEYWORDS = frozenset({"named", "above", "around"})
"""Arguments of the libraries we call."""


@dataclass(frozen=True)
class Finding:
    """One text or name that breaks a rule."""

    place: str
    rule: str
    text: str

    def __str__(self) -> str:
        return f"{self.place}: {self.rule}: {self.text[:140]!r}"


def banned_texts() -> Iterator[Finding]:
    """All texts a reader or a colleague meets that break a rule."""
    rules = {name: re.compile(pattern, re.IGNORECASE) for name, pattern in TEXT_RULES.items()}
    for place, text in texts():
        for rule, pattern in rules.items():
            if hit := pattern.search(text):
                yield Finding(place, rule, text[max(hit.start() - 50, 0) : hit.end() + 50])


def texts() -> Iterator[tuple[str, str]]:
    """Place and text: strings, docstrings and comments of the code, templates, terms, documents and notebooks."""
    for path in _python_files():
        if path.relative_to(ROOT).parts[0] != "tests":
            yield from _texts_of_code(path)
    for pattern in (*DOCUMENTS, "analysis/**/*.html", "analysis/**/*.js", "analysis/standard/*.toml"):
        for path in sorted(ROOT.glob(pattern)):
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
                yield f"{path.relative_to(ROOT)}:{number}", line
    for path in sorted(ROOT.glob("notebooks/*.ipynb")):
        for number, cell in enumerate(json.loads(path.read_text(encoding="utf-8"))["cells"]):
            yield f"{path.relative_to(ROOT)}, cell {number}", "".join(cell["source"])


def _texts_of_code(path: Path) -> Iterator[tuple[str, str]]:
    """Strings of several words and comments."""
    source, place = path.read_text(encoding="utf-8"), path.relative_to(ROOT)
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            yield f"{place}:{node.lineno}", node.value
    for number, line in enumerate(source.splitlines(), 1):
        if comment := re.search(r"(?:^|\s)#\s(.*)", line):
            yield f"{place}:{number}", comment[1]


def banned_names() -> Iterator[Finding]:
    """Functions, classes, arguments, attributes and variables whose names break a rule."""
    for path in _python_files():
        where = path.relative_to(ROOT)
        if path.stem != "__init__" and is_banned_name(path.stem):
            yield Finding(str(where), "module", path.stem)
        for line, kind, name in _names(ast.parse(path.read_text(encoding="utf-8"))):
            if is_banned_name(name):
                yield Finding(f"{where}:{line}", kind, name)


def repeated_modules() -> dict[str, list[str]]:
    """Module names that occur more than once in the package, with their places."""
    places: dict[str, list[str]] = {}
    for path in sorted((ROOT / "analysis").rglob("*.py")):
        if path.stem not in ("__init__", "__main__"):
            places.setdefault(path.stem, []).append(str(path.relative_to(ROOT)))
    return {name: where for name, where in places.items() if len(where) > 1}


def _python_files() -> list[Path]:
    files = (path for folder in CODE for path in sorted((ROOT / folder).rglob("*.py")))
    return [path for path in files if path.stem not in ("plain_words", "test_plain_words")]


def is_banned_name(name: str) -> bool:
    """Whether a name is a bare participle or has a coined word in it."""
    plain = name.strip("_").lower()
    parts = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name).lower().strip("_").split("_")
    return name.strip("_") not in NAME_EXCEPTIONS and (
        plain in BARE_NAMES or any(part in BANNED_PARTS for part in parts)
    )


def _names(tree: ast.AST) -> Iterator[tuple[int, str, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node.lineno, "function", node.name
            arguments = node.args
            for argument in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs):
                yield argument.lineno, "argument", argument.arg
        elif isinstance(node, ast.ClassDef):
            yield node.lineno, "class", node.name
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.lineno, "variable", node.id
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            yield node.lineno, "attribute", node.attr
        elif isinstance(node, ast.keyword) and node.arg and node.arg not in LIBRARY_KEYWORDS:
            yield node.value.lineno, "keyword", node.arg
