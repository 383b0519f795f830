"""People: technique against peers on the same work, what coaching changed, whether the log can be believed."""

from analysis.people.coaching import coaching_effects
from analysis.people.credibility import credibility, doubted_sessions
from analysis.people.technique import technique

__all__ = ["coaching_effects", "credibility", "doubted_sessions", "technique"]
