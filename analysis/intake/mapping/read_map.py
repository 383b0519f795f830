"""Read a map from TOML; a mistake in it is reported with file and key."""

from __future__ import annotations

import codecs
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from typing import Any

from analysis.errors import UserError
from analysis.intake.convert.cleaned_text import normalise_level
from analysis.intake.convert.numbers import UNIT_NAMES, unit_for
from analysis.intake.mapping.table_map import FIELDS, ColumnMap, ExportMap, OwnColumn, TableMap, required_fields
from analysis.intake.readers.files import parse_toml, read_small_text
from analysis.intake.readers.limits import NAME_CHARACTERS

OWN_TYPES = ("text", "number", "whole number", "true/false", "date")
ROLES = ("key", "context", "technique", "sign", "outcome")
SECTION_KEYS = (
    "decimal", "thousands", "date_order", "encoding", "delimiter", "missing", "short_rows", "in_bleed_rows", "columns", "values",
    "own",
)  # fmt: skip
NAME_FIELDS = ("technician", "shop", "brake_model", "bike_kind", "trial", "trial_arm")
"""Fields of names, for which a map may list other spellings of the same name."""
_NOT_FOR_TEXT_FILES = ("idna", "punycode", "raw-unicode-escape", "unicode-escape")
_MAX_QUOTED = 80


def read_map(path: str | Path) -> ExportMap:
    """Read and check a map.

    Raises
    ------
    UserError
        The file cannot be read or is not TOML; a table, key, field, unit or level is unknown; a heading is used twice.
        The message gives file and key.
    """
    return parse_map(read_small_text(path, "a map in TOML"), str(path))


def parse_map(text: str, path: str) -> ExportMap:
    """Check a map given as TOML; `path` names it in messages. Errors as in `read_map`."""
    content = parse_toml(text, path)
    sections = []
    for table, section in content.items():
        if table not in FIELDS:
            tables = f"one of: {', '.join(FIELDS)}"
            raise UserError(f"{path}, [{table}]", "is not a table of the log", tables, "fix the name in brackets")
        for one in section if isinstance(section, list) else [section]:
            sections.append(_read_section(table, one, f"{path}, {table}"))
    if not sections:
        raise UserError(
            path, "contains no table", "[sessions] and its columns", "propose a map with: rebleed map EXPORT"
        )
    return ExportMap(tuple(sections), path)


def _read_section(table: str, section: Any, where: str) -> TableMap:
    if not isinstance(section, dict):
        raise UserError(
            where, f"is {_quote_value(section)}", "a table of keys", f"write [{table}] and its keys under it"
        )
    _refuse_unknown_keys(section, SECTION_KEYS, where)
    columns = _read_columns(table, _read_subtable(section, "columns", where), f"{where}.columns")
    _require_headings(table, columns, f"{where}.columns")
    own = tuple(
        _read_own_column(name, one, f"{where}.own.{name[:_MAX_QUOTED]}")
        for name, one in _read_subtable(section, "own", where).items()
    )
    decimal = _read_choice(section, "decimal", (".", ","), where)
    thousands = _read_choice(section, "thousands", (".", ",", " ", "'", "’", ""), where) or ""
    if decimal is not None and decimal == thousands:
        problem = f"is {thousands!r}, the same as the decimal mark"
        raise UserError(f"{where}.thousands", problem, "a different mark", "correct one of the two")
    return TableMap(
        table=table,
        columns=columns,
        values=_read_values(table, own, _read_subtable(section, "values", where), f"{where}.values"),
        own=own,
        decimal=decimal,
        thousands=thousands,
        date_order=_read_choice(section, "date_order", ("dmy", "mdy", "ymd"), where),
        encoding=_read_encoding(section, where),
        delimiter=_read_choice(section, "delimiter", (",", ";", "\t", "|"), where),
        missing=_read_words(section.get("missing", []), f"{where}.missing"),
        short_rows=bool(_read_choice(section, "short_rows", (True, False), where)),
        in_bleed_rows=_read_in_bleed_rows(table, section, where),
    )


def _read_in_bleed_rows(table: str, section: dict[str, Any], where: str) -> bool:
    in_rows = bool(_read_choice(section, "in_bleed_rows", (True, False), where))
    if in_rows and table != "comebacks":
        expected = "in_bleed_rows under [comebacks] only"
        raise UserError(f"{where}.in_bleed_rows", f"is true for {table}", expected, "remove the line")
    return in_rows


def _read_columns(table: str, section: dict[str, Any], where: str) -> tuple[ColumnMap, ...]:
    columns: list[ColumnMap] = []
    used: dict[str, str] = {}
    for name, value in section.items():
        entry = FIELDS[table].get(name)
        if entry is None:
            raise UserError(
                f"{where}.{name}", f"is not a field of {table}", "a field's name", "list them with: rebleed fields"
            )
        detail = value if isinstance(value, dict) else {"heading": value}
        _refuse_unknown_keys(detail, ("heading", "unit"), f"{where}.{name}")
        heading, unit = detail.get("heading"), detail.get("unit")
        if not isinstance(heading, str) or not heading.strip():
            raise UserError(
                f"{where}.{name}", f"the heading is {_quote_value(heading)}", "the export's heading in quotes", "add it"
            )
        if heading in used:
            raise UserError(
                f"{where}.{name}",
                f"{_quote_value(heading)} is also the heading of {used[heading]}",
                "each heading for one field only",
                "correct one of the two",
            )
        used[heading] = name
        if unit is not None and (not isinstance(unit, str) or unit_for(unit, entry.unit) is None):
            possible = ", ".join(u for u in UNIT_NAMES if unit_for(u, entry.unit))
            expected = f"one of: {possible}" if possible else "no unit"
            raise UserError(
                f"{where}.{name}",
                f"{_quote_value(unit)} is not a unit of this field",
                expected,
                "correct the unit" if possible else "leave the unit out",
            )
        columns.append(ColumnMap(name, heading, unit))
    return tuple(columns)


def _require_headings(table: str, columns: tuple[ColumnMap, ...], where: str) -> None:
    """A section gives all required fields, or none: then the log's own headings are used for those it leaves out."""
    mapped = {column.field for column in columns}
    missing = [name for name in required_fields(table) if name not in mapped]
    if 0 < len(missing) < len(required_fields(table)):
        raise UserError(
            where,
            f"there is no heading for {', '.join(missing)}",
            "a heading for each required field",
            f'add {missing[0]} = "heading in the export"',
        )


def _read_values(
    table: str, own: tuple[OwnColumn, ...], section: dict[str, Any], where: str
) -> dict[str, dict[str, tuple[str, ...]]]:
    values: dict[str, dict[str, tuple[str, ...]]] = {}
    types = {name: entry.type for name, entry in FIELDS[table].items()} | {f"own.{o.name}": o.type for o in own}
    for name, levels in section.items():
        allowed: tuple[str, ...] = ("true", "false") if types.get(name) == "true/false" else ()
        allowed = allowed or (FIELDS[table][name].levels if name in FIELDS[table] else ())
        if not allowed and name not in NAME_FIELDS:
            raise UserError(
                f"{where}.{name}",
                "has no fixed values to map words to",
                "a field with a list of values, or yes/no",
                "correct the field's name or remove the section",
            )
        if not isinstance(levels, dict):
            raise UserError(
                f"{where}.{name}", f"is {_quote_value(levels)}", 'value = ["word", …]', "write one line per value"
            )
        if "" in map(str.strip, levels):
            raise UserError(f"{where}.{name}", "has an empty name", "a name", "write the name to use")
        if allowed:
            _refuse_unknown_keys(levels, allowed, f"{where}.{name}")
        values[name] = {level: _read_words(words, f"{where}.{name}.{level}") for level, words in levels.items()}
        _refuse_two_meanings(values[name], f"{where}.{name}", normalise_level if allowed else str.strip)
    return values


def _refuse_two_meanings(levels: dict[str, tuple[str, ...]], where: str, comparison_key: Callable[[str], str]) -> None:
    meaning: dict[str, str] = {}
    for level, words in levels.items():
        for word in words:
            other = meaning.setdefault(comparison_key(word), level)
            if other != level:
                raise UserError(
                    where,
                    f"{_quote_value(word)} is both {other} and {level}",
                    "one meaning per word",
                    "remove one of the two",
                )


def _read_own_column(name: str, section: Any, where: str) -> OwnColumn:
    if not isinstance(section, dict) or not isinstance(section.get("heading"), str):
        raise UserError(where, "has no heading", 'heading = "…"', "add it")
    _refuse_unknown_keys(section, ("heading", "type", "unit", "role", "min", "max", "group"), where)
    if not name.isidentifier() or len(name) > NAME_CHARACTERS:
        expected = f"letters, digits and underscores, at most {NAME_CHARACTERS}"
        raise UserError(where, f"{_quote_value(name)} is not a valid name", expected, "rename it")
    low, high = (_read_bound(section, key, where) for key in ("min", "max"))
    if low is not None and high is not None and low > high:
        raise UserError(where, f"min = {low:g} is above max = {high:g}", "min not above max", "swap them")
    kind = _read_choice(section, "type", OWN_TYPES, where) or (
        "number" if low is not None or high is not None else "text"
    )
    role = _read_choice(section, "role", ROLES, where) or ""
    if kind not in ("number", "whole number") and (low is not None or high is not None):
        raise UserError(
            where, f"min or max given for a {kind}", "a number or whole number", "leave them out or correct the type"
        )
    unit = section.get("unit", "")
    if not isinstance(unit, str):
        raise UserError(f"{where}.unit", f"is {_quote_value(unit)}", "text in quotes", "correct it")
    group = bool(_read_choice(section, "group", (True, False), where))
    return OwnColumn(name, section["heading"], kind, unit, role, low, high, group)


def _read_bound(section: dict[str, Any], key: str, where: str) -> float | None:
    value = section.get(key)
    if value is None:
        return None
    try:
        if isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value):
            return float(value)
    except OverflowError:  # a whole number of more than 308 digits is not a float
        pass
    raise UserError(f"{where}.{key}", f"is {_quote_value(value)}", "a number", "correct it")


def _quote_value(value: Any) -> str:
    """A value as it is in the map, cut if it is long."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) >= 10**_MAX_QUOTED:
        return "a whole number with too many digits"
    text = repr(value)
    return text if len(text) <= _MAX_QUOTED else f"{text[:_MAX_QUOTED]}…"


def _read_subtable(section: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    value = section.get(key, {})
    if not isinstance(value, dict):
        raise UserError(
            f"{where}.{key}", f"is {_quote_value(value)}", "a table of keys", "write it as a section in square brackets"
        )
    return value


def _read_choice(section: dict[str, Any], key: str, allowed: tuple[Any, ...], where: str) -> Any:
    value = section.get(key)
    if value is not None and (value not in allowed or isinstance(value, bool) != isinstance(allowed[0], bool)):
        words = ", ".join(repr(word) for word in allowed)
        raise UserError(f"{where}.{key}", f"is {_quote_value(value)}", f"one of: {words}", "correct the value")
    return value


def _read_encoding(section: dict[str, Any], where: str) -> str | None:
    value = section.get("encoding")
    if value is None:
        return None
    try:
        return _text_codec(value)
    except (LookupError, TypeError, ValueError) as error:
        expected = "utf-8, cp1252 or another text encoding"
        raise UserError(f"{where}.encoding", f"is {_quote_value(value)}", expected, "correct the value") from error


def _text_codec(name: str) -> str:
    """The standard name of a text encoding.

    Raises
    ------
    LookupError, TypeError, ValueError
        There is no encoding of that name, or it is not one for text files (base64, host names, escape sequences).
    """
    codec = codecs.lookup(name).name
    "a".encode(codec).decode(codec)
    if codec in _NOT_FOR_TEXT_FILES:
        raise LookupError(name)
    return codec


def _read_words(value: Any, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        raise UserError(where, f"is {_quote_value(value)}", 'a list of words: ["…"]', "write it as a list")
    return tuple(value)


def _refuse_unknown_keys(section: dict[str, Any], allowed: tuple[str, ...], where: str) -> None:
    for key in section:
        if key not in allowed:
            raise UserError(
                f"{where}.{key}",
                "is not a key of this section",
                f"one of: {', '.join(allowed)}",
                "correct or remove it",
            )
