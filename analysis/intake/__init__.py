"""Intake: read exports of any kind into one validated log, with an account of every row."""

from analysis.intake.bleed_log import AFTER_TODAY, PEOPLE_COLUMNS, Log, OwnField, RejectedRows, Source
from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.gauge_readings import GaugeReadings, read_readings
from analysis.intake.link import DONE
from analysis.intake.load import NO_RETURNS, log_from, read_log
from analysis.intake.mapping.read_map import read_map
from analysis.intake.mapping.table_map import Mapping, TableMap
from analysis.intake.propose.proposal import Proposal, ProposedMap
from analysis.intake.propose.propose import proposals, propose_map
from analysis.intake.readers.raw_table import ROW, RawTable, RawTables, ReadingHint
from analysis.intake.readers.sources import raw_tables
from analysis.intake.rejections import INNER_FORMULA, INNER_GUARD, for_spreadsheets, with_reasons

__all__ = [
    "AFTER_TODAY",
    "DONE",
    "INNER_FORMULA",
    "INNER_GUARD",
    "NO_RETURNS",
    "PEOPLE_COLUMNS",
    "ROW",
    "GaugeReadings",
    "Log",
    "Mapping",
    "OwnField",
    "Proposal",
    "ProposedMap",
    "RawTable",
    "RawTables",
    "ReadingHint",
    "RejectedRows",
    "Source",
    "TableMap",
    "for_spreadsheets",
    "log_from",
    "normalise",
    "proposals",
    "propose_map",
    "raw_tables",
    "read_log",
    "read_map",
    "read_readings",
    "with_reasons",
]
