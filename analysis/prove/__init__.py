"""The proof: many simulated workshops audited like any other and held against what is true of them."""

from analysis.prove.held import Fact, Held, held
from analysis.prove.measures import proof
from analysis.prove.run import run_proof
from analysis.prove.worlds import World, proof_worlds

__all__ = ["Fact", "Held", "World", "held", "proof", "proof_worlds", "run_proof"]
