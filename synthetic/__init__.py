"""Simulated workshops with known true effects, and exports of their logs with known flaws."""

from synthetic.demo_workshop import CO_OPERATIVE, PLANTED_PROBLEMS, co_operative, fill_in_list, leave_out_returns
from synthetic.exports import EXPORT_FORMATS, write_export
from synthetic.scenarios import SCENARIOS, scenario_workshop
from synthetic.simulate import SimulatedLog, attainable_risks, simulate, write_simulation
from synthetic.workshop import Habit, Lesson, StepTruth, Workshop
