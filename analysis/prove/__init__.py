"""Validation: many simulated workshops audited like any other and compared with what is true of them."""

from analysis.prove.measures import proof
from analysis.prove.one_workshop import MeasureOutcome, SimulationResult, audit_simulation
from analysis.prove.run import run_proof
from analysis.prove.scenarios import ProofWorkshop, proof_workshops
