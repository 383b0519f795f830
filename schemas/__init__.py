"""What a table is: names, types, units, ranges, roles, for the log, for what passes between rooms, and for every
file a run writes. A schema validates; it reads and writes no file."""

from schemas import between, log, outputs
from schemas.checked import amiss, checked, empty
from schemas.dictionary import Entry, dictionary
from schemas.log import LOG_TABLES, STUDY_TABLES
from schemas.outputs import AUDIT_TABLES, OTHER_TABLES

__all__ = [
    "AUDIT_TABLES",
    "LOG_TABLES",
    "OTHER_TABLES",
    "STUDY_TABLES",
    "Entry",
    "amiss",
    "between",
    "checked",
    "dictionary",
    "empty",
    "log",
    "outputs",
]
