"""People: technique against peers on the same work, what coaching changed, whether the log can be believed."""

from analysis.people.coaching import coaching_effects
from analysis.people.credibility import credibility
from analysis.people.sensitivity import add_ranking_sensitivity
from analysis.people.technique import technique_table

__all__ = ["add_ranking_sensitivity", "coaching_effects", "credibility", "technique_table"]
