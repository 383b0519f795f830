"""Schemas of all tables: the log, intermediate tables and every file that a run writes.

Each model gives names, types, units, ranges and roles, and validates a frame. Nothing here reads or writes data files.
"""

from schemas import intermediate, log, outputs
from schemas.field import Entry, field_entries
from schemas.log import LOG_TABLES, STUDY_TABLES, field_label, log_fields, reading_label
from schemas.outputs import AUDIT_TABLES, OTHER_TABLES
from schemas.validation import empty, invalid_columns, validate_table
