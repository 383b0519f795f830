"""What a table is: names, types, units, ranges, roles, for the log, for what passes between rooms, and for every
file a run writes. A schema validates; it reads and writes no file."""

from schemas import intermediate, log, outputs
from schemas.dictionary import Entry, dictionary
from schemas.log import LOG_TABLES, STUDY_TABLES
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
    "intermediate",
    "invalid_columns",
    "log",
    "outputs",
    "validate_table",
]
