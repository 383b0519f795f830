"""Texts of an export as a chart can carry them: every character drawn, no text endless."""

from __future__ import annotations

import re
from typing import Any

LONGEST_TEXT, LONGEST_DESCRIPTION = 500, 10_000
"""Characters of one name in a chart, of which a label shows far fewer, and of a chart's description in words."""
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
"""What XML 1.0 (W3C, 2008, section 2.2) has no place for, on which the drawing library ends its process."""
EXPRESSIONS = ("calculate", "filter", "test", "labelExpr")
LINE_ENDS = {"\u2028": "\u2424", "\u2029": "\u00b6"}
"""Ends of a line to the chart library's expressions, in which a name is a text in quotes."""
_CONTROL_PICTURES = 0x2400


def drawable(part: Any) -> Any:
    """A chart's specification in which each text can be drawn; a control character becomes its visible sign."""
    if isinstance(part, str):
        return _text(part)
    if isinstance(part, list):
        return [drawable(one) for one in part]
    if isinstance(part, dict):
        return {name: _part(name, value) for name, value in part.items()}
    return part


def _part(name: str, value: Any) -> Any:
    """One entry; an expression that is cut off would be none."""
    if name in EXPRESSIONS and isinstance(value, str):
        return _visible(value)
    return _text(value, LONGEST_DESCRIPTION) if name == "description" and isinstance(value, str) else drawable(value)


def _text(text: str, most: int = LONGEST_TEXT) -> str:
    return _visible(text if len(text) <= most else f"{text[:most]}…")


def _visible(text: str) -> str:
    for sign, replacement in LINE_ENDS.items():
        text = text.replace(sign, replacement)
    return FORBIDDEN.sub(lambda sign: _sign(ord(sign[0])), text)


def _sign(code: int) -> str:
    return chr(_CONTROL_PICTURES + code) if code < 0x20 else "\ufffd"
