"""Schemas of all tables: the log, intermediate tables and every file that a run writes.

Each model gives names, types, units, ranges and roles, and validates a frame. Nothing here reads or writes data files.
"""

from schemas import intermediate, log, outputs
from schemas.field import Entry, dictionary
from schemas.log import LOG_TABLES, STUDY_TABLES, field_label, log_fields, reading_label
from schemas.outputs import AUDIT_TABLES, OTHER_TABLES
from schemas.validation import empty, invalid_columns, validate_table

__all__ = [
    "AUDIT_TABLES",
    "LOG_TABLES",
    "OTHER_TABLES",
    "STUDY_TABLES",
    "Entry",
    "dictionary",
    "empty",
    "field_label",
    "intermediate",
    "invalid_columns",
    "log",
    "log_fields",
    "outputs",
    "reading_label",
    "validate_table",
]
