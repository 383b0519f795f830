"""FIELDS.md and `rebleed fields` list every field of every table, generated from the models."""

from __future__ import annotations

from pathlib import Path

import pytest

import schemas
from schemas import AUDIT_TABLES, LOG_TABLES, OTHER_TABLES, STUDY_TABLES, field_entries
from schemas.field import ROLES
from schemas.printed import fields_markdown, fields_text

ALL_TABLES = {**LOG_TABLES, **STUDY_TABLES, **AUDIT_TABLES, **OTHER_TABLES}


def test_fields_md_is_up_to_date() -> None:
    assert Path(schemas.__file__).with_name("FIELDS.md").read_text("utf-8") == fields_markdown()


@pytest.mark.parametrize("width", [80, 110])
def test_the_list_for_a_terminal_fits_its_width_and_has_every_field(width: int) -> None:
    lines = fields_text(width).splitlines()
    assert max(map(len, lines)) <= width
    names = {line.split()[0] for line in lines if line.startswith("  ")}
    assert {entry.name for name, model in ALL_TABLES.items() for entry in field_entries(name, model)} <= names


def test_every_role_of_the_log_is_explained() -> None:
    roles = {entry.role for name, model in LOG_TABLES.items() for entry in field_entries(name, model)}
    assert roles - {""} == set(ROLES)
