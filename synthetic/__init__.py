"""A workshop with known truth, and dirt for its exports. Nothing here knows how it will be estimated."""

from synthetic.exports import MANNERS, Exported, Manner, write_export
from synthetic.families import FAMILIES, family
from synthetic.made import Made, foreseeable, made
from synthetic.scenario import CO_OPERATIVE, STORIES, Story, co_operative
from synthetic.workshop import Change, Habit, Lesson, ShopTrial, StepTruth, Workshop
from synthetic.writing import write_made

__all__ = [
    "CO_OPERATIVE",
    "FAMILIES",
    "MANNERS",
    "STORIES",
    "Change",
    "Exported",
    "Habit",
    "Lesson",
    "Made",
    "Manner",
    "ShopTrial",
    "StepTruth",
    "Story",
    "Workshop",
    "co_operative",
    "family",
    "foreseeable",
    "made",
    "write_export",
    "write_made",
]
