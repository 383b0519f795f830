"""Charts: a table in, an Altair chart out. Nothing here computes an estimate."""

from analysis.charts.display import init_notebook, library_text, specification
from analysis.charts.draw import incidence_curve, missed_bars, months_line, rate_dots, step_bars
from analysis.charts.theme import SIGNAL_WORDS

__all__ = [
    "SIGNAL_WORDS",
    "incidence_curve",
    "init_notebook",
    "library_text",
    "missed_bars",
    "months_line",
    "rate_dots",
    "specification",
    "step_bars",
]
