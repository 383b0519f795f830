"""People: technique compared with peers, the effect of coaching, and whether the records can be relied on."""

from analysis.people.coaching import coaching_effects
from analysis.people.credibility import add_ranking_sensitivity, credibility
from analysis.people.learners import LearnerResults, learners
from analysis.people.peer_comparison import technique_table
from analysis.people.workshop_changes import measure_effects
