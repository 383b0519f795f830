"""The field dictionary is printed from the models and never stale."""

from __future__ import annotations

from pathlib import Path

import schemas
from schemas.field_dictionary import fields_text


def test_fields_md_is_what_the_models_print() -> None:
    assert Path(schemas.__file__).with_name("FIELDS.md").read_text("utf-8") == fields_text()
