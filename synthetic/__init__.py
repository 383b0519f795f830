"""Simulated workshops with known true effects, and exports of their logs with known flaws."""

from synthetic.demo_workshop import CO_OPERATIVE, PLANTED_PROBLEMS, PlantedProblem, co_operative
from synthetic.exports import EXPORT_FORMATS, ExportFormat, ExportResult, write_export
from synthetic.scenarios import SCENARIOS, scenario_workshop
from synthetic.second_month import DoneList, fill_in_list, leave_out_returns
from synthetic.simulate import SimulatedLog, attainable_risks, simulate
from synthetic.workshop import Change, ClusterTrial, Habit, Lesson, StepTruth, Workshop
from synthetic.write_files import write_simulation

__all__ = [
    "CO_OPERATIVE",
    "EXPORT_FORMATS",
    "PLANTED_PROBLEMS",
    "SCENARIOS",
    "Change",
    "ClusterTrial",
    "DoneList",
    "ExportFormat",
    "ExportResult",
    "Habit",
    "Lesson",
    "PlantedProblem",
    "SimulatedLog",
    "StepTruth",
    "Workshop",
    "attainable_risks",
    "co_operative",
    "fill_in_list",
    "leave_out_returns",
    "scenario_workshop",
    "simulate",
    "write_export",
    "write_simulation",
]
