"""Simulated workshops with known true effects, and exports of their logs with known flaws."""

from synthetic.exports import EXPORT_FORMATS, ExportFormat, ExportResult, write_export
from synthetic.families import FAMILIES, family
from synthetic.scenario import CO_OPERATIVE, PLANTED_PROBLEMS, PlantedProblem, co_operative
from synthetic.simulate import SimulatedLog, attainable_risks, simulate
from synthetic.workshop import Change, Habit, Lesson, ShopTrial, StepTruth, Workshop
from synthetic.write_files import write_simulation

__all__ = [
    "CO_OPERATIVE",
    "EXPORT_FORMATS",
    "FAMILIES",
    "PLANTED_PROBLEMS",
    "Change",
    "ExportFormat",
    "ExportResult",
    "Habit",
    "Lesson",
    "PlantedProblem",
    "ShopTrial",
    "SimulatedLog",
    "StepTruth",
    "Workshop",
    "attainable_risks",
    "co_operative",
    "family",
    "simulate",
    "write_export",
    "write_simulation",
]
