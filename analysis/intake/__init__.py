"""Intake: read exports of any kind into one validated log, with an account of every row."""

from analysis.intake.bleed_log import AFTER_TODAY, PEOPLE_COLUMNS, Log, OwnField, RejectedRows, Source
from analysis.intake.convert.cleaned_text import guard_formulas, normalise, remove_guards
from analysis.intake.deduplicate import SORTED_BY
from analysis.intake.gauge_readings import GaugeReadings, read_readings
from analysis.intake.link import DONE
from analysis.intake.load import NO_RETURNS, log_from, read_log
from analysis.intake.mapping.read_map import read_map
from analysis.intake.mapping.table_map import ExportMap
from analysis.intake.propose.propose import proposals, propose_map
from analysis.intake.readers.files import parse_toml, read_small_file, read_small_text
from analysis.intake.readers.raw_table import ROW, RawTable
from analysis.intake.readers.sources import raw_tables
from analysis.intake.rejections import with_reasons
