"""A workshop with known truth, and dirt for its exports. Nothing here knows how it will be estimated."""

from synthetic.families import FAMILIES, family
from synthetic.made import Made, made
from synthetic.workshop import Change, Habit, Lesson, StepTruth, Workshop
from synthetic.writing import write_made

__all__ = [
    "FAMILIES",
    "Change",
    "Habit",
    "Lesson",
    "Made",
    "StepTruth",
    "Workshop",
    "family",
    "made",
    "write_made",
]
