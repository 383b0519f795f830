"""Validation: many simulated workshops audited like any other and compared with what is true of them."""

from analysis.prove.measures import proof
from analysis.prove.one_workshop import Fact, SimulationResult, audit_simulation
from analysis.prove.run import run_proof
from analysis.prove.scenarios import Scenario, proof_scenarios

__all__ = ["Fact", "Scenario", "SimulationResult", "audit_simulation", "proof", "proof_scenarios", "run_proof"]
