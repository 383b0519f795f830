"""The fields of every table as text for a terminal and as Markdown; `python -m schemas.printed` writes FIELDS.md."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path

import pandera.polars as pa

from schemas.field import PLACES, ROLES, Entry, field_entries
from schemas.log import LOG_TABLES, STUDY_TABLES
from schemas.outputs import AUDIT_TABLES, OTHER_TABLES

NAME_WIDTH, VALUES_WIDTH, MIN_TEXT_WIDTH = 26, 28, 24
"""Columns of the terminal layout, in characters."""
SECTIONS: dict[str, dict[str, type[pa.DataFrameModel]]] = {
    "The log": {**LOG_TABLES},
    "A gauge study": {**STUDY_TABLES},
    "Tables that a run writes": {
        f"tables/{name}.csv": model for name, model in {**AUDIT_TABLES, **OTHER_TABLES}.items()
    },
}
ORDER_HEADING = "Stage at which a field becomes known (place), in chronological order"
INTRODUCTION = (
    "A field that is not required may be empty: “not recorded” is kept as such, never treated as done or missed.",
    "A bad value in a required field causes the row to be rejected; in any other field only the value is blanked.",
)


def fields_markdown() -> str:
    """Every field of every table as Markdown: name, type, unit, values, role, place, required, meaning."""
    lines = [
        "# Fields",
        "",
        "Generated from the code; do not edit.",
        "",
        *INTRODUCTION,
        "",
        "Roles of a log field:",
        "",
    ]
    lines += [f"- `{role}`: {meaning}" for role, meaning in ROLES.items()]
    lines += ["", f"{ORDER_HEADING}:", ""]
    lines += [f"{number}. `{place}`: {meaning}" for number, (place, meaning) in enumerate(PLACES.items(), 1)]
    for section, tables in SECTIONS.items():
        lines += ["", f"## {section}"]
        for name, model in tables.items():
            lines += ["", f"### {name}", "", _model_summary(model), "", *_markdown_table(field_entries(name, model))]
    return "\n".join(lines) + "\n"


def fields_text(width: int = 110) -> str:
    """Every field of every table in aligned columns, at most `width` characters wide."""
    lines = [*_wrap_text(" ".join(INTRODUCTION), width), "", "Fields marked * are required. Roles of a log field:"]
    for role, meaning in ROLES.items():
        lines += textwrap.wrap(f"  {role:<10} {meaning}", width, subsequent_indent=" " * 13)
    lines += ["", f"{ORDER_HEADING}:"]
    lines += [f"  {number} {place:<12} {meaning}" for number, (place, meaning) in enumerate(PLACES.items(), 1)]
    for section, tables in SECTIONS.items():
        lines += ["", section.upper()]
        for name, model in tables.items():
            lines += ["", *_wrap_text(f"{name}: {_model_summary(model)}", width)]
            for entry in field_entries(name, model):
                lines += _aligned_rows(entry, width)
    return "\n".join(lines)


def _model_summary(model: type[pa.DataFrameModel]) -> str:
    return " ".join((model.__doc__ or "").split())


def _markdown_table(entries: list[Entry]) -> Iterator[str]:
    with_roles = any(entry.role for entry in entries)
    head = ["field", "type", "unit", "values", *(["role", "place"] if with_roles else []), "required", "meaning"]
    yield "| " + " | ".join(head) + " |"
    yield "|" + " --- |" * len(head)
    for entry in entries:
        role = [entry.role, entry.place] if with_roles else []
        required = "yes" if entry.required else ""
        cells = [entry.name, entry.type, entry.unit, entry.range, *role, required, entry.description]
        yield "| " + " | ".join(cells) + " |"


def _aligned_rows(entry: Entry, width: int) -> Iterator[str]:
    """One field: name, values and meaning side by side, each wrapped in its column."""
    use = ", ".join(filter(None, (entry.role, entry.place)))
    meaning = entry.description + (f" ({use})" if use else "")
    name = _wrap_text(entry.name + (" *" if entry.required else ""), NAME_WIDTH - 1)
    values = _wrap_text(_values_text(entry), VALUES_WIDTH - 1)
    text = _wrap_text(meaning, max(width - NAME_WIDTH - VALUES_WIDTH - 2, MIN_TEXT_WIDTH))
    for first, second, third in zip_longest(name, values, text, fillvalue=""):
        yield f"  {first:<{NAME_WIDTH}}{second:<{VALUES_WIDTH}}{third}".rstrip()


def _values_text(entry: Entry) -> str:
    """`text`, `front, rear`, `number (mm), 40 to 130`."""
    if entry.levels:
        return entry.range
    unit = f" ({entry.unit})" if entry.unit else ""
    return entry.type + unit + (f", {entry.range}" if entry.range else "")


def _wrap_text(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)


if __name__ == "__main__":
    Path(__file__).with_name("FIELDS.md").write_text(fields_markdown(), encoding="utf-8")
