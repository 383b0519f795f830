"""The field dictionary as text, printed from the models: `python -m schemas.field_dictionary` writes FIELDS.md."""

from __future__ import annotations

from pathlib import Path

from schemas.dictionary import dictionary
from schemas.log import LOG_TABLES, STUDY_TABLES
from schemas.outputs import AUDIT_TABLES, OTHER_TABLES


def fields_text() -> str:
    """Every field of every table: name, type, unit, range, role, whether it must be filled, meaning."""
    lines = [
        "# Fields",
        "",
        "Printed from the models of `schemas`; a stale copy fails the tests.",
        "",
        "## The log",
        "",
    ]
    for name, model in LOG_TABLES.items():
        lines += [f"### {name}", "", (model.__doc__ or "").strip(), "", *_rows(name, model, role=True), ""]
    lines += ["## A gauge study", ""]
    for name, model in STUDY_TABLES.items():
        lines += [f"### {name}", "", (model.__doc__ or "").strip(), "", *_rows(name, model, role=True), ""]
    lines += ["## What a run writes", ""]
    for name, written in {**AUDIT_TABLES, **OTHER_TABLES}.items():
        lines += [
            f"### tables/{name}.csv",
            "",
            (written.__doc__ or "").strip(),
            "",
            *_rows(name, written, role=False),
            "",
        ]
    return "\n".join(lines)


def _rows(name: str, model: type, *, role: bool) -> list[str]:
    head = ["field", "type", "unit", "values", *(["role"] if role else []), "must be filled", "meaning"]
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    for entry in dictionary(name, model):
        cells = [entry.name, entry.type, entry.unit, entry.range, *([entry.role] if role else [])]
        lines.append("| " + " | ".join([*cells, "yes" if entry.required else "", entry.description]) + " |")
    return lines


if __name__ == "__main__":
    Path(__file__).with_name("FIELDS.md").write_text(fields_text(), encoding="utf-8")
