"""People: technique against peers on the same work, what coaching changed, whether the log can be believed."""

from analysis.people.coaching import coaching_effects
from analysis.people.credibility import credibility
from analysis.people.robust import with_robustness
from analysis.people.technique import technique

__all__ = ["coaching_effects", "credibility", "technique", "with_robustness"]
