"""Intake: any export into one validated log, every row accounted for."""

from analysis.intake.assemble import log_from, read_log
from analysis.intake.gauge_readings import GaugeReadings, read_readings
from analysis.intake.log import Log, OwnField, RejectedRows, Source
from analysis.intake.mapping import Mapping, TableMap, read_map
from analysis.intake.propose import Proposal, WrittenMap, proposals, propose_map
from analysis.intake.raw import ROW, RawTable
from analysis.intake.rejected import for_spreadsheets, told_beside
from analysis.intake.sources import RawTables, ReadingHint, raw_tables
from analysis.intake.words import plain

__all__ = [
    "ROW",
    "GaugeReadings",
    "Log",
    "Mapping",
    "OwnField",
    "Proposal",
    "RawTable",
    "RawTables",
    "ReadingHint",
    "RejectedRows",
    "Source",
    "TableMap",
    "WrittenMap",
    "for_spreadsheets",
    "log_from",
    "plain",
    "proposals",
    "propose_map",
    "raw_tables",
    "read_log",
    "read_map",
    "read_readings",
    "told_beside",
]
