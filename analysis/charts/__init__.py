"""Charts: a table in, an Altair chart out. Nothing here computes an estimate."""

from analysis.charts import altair_first  # noqa: F401  isort: skip
from analysis.charts.display import init_notebook, order_picture, picture, specification, unchecked
from analysis.charts.gauge import gauge_bars, gauge_marks
from analysis.charts.groups import rate_dots, ratio_board, ratio_dots
from analysis.charts.months import cusum_lines, months_line
from analysis.charts.people import coaching_changes, technique_board
from analysis.charts.proof import proof_dots
from analysis.charts.quality import recorded_board
from analysis.charts.returns import holds_by_day, incidence_curve
from analysis.charts.risk import drift_dots, reliability_curve, rival_dots, second_check_curve, worklist_dots
from analysis.charts.room import cut_words, most_telling
from analysis.charts.steps import missed_bars, step_bars, step_board, tolerance_curve, what_if_bars
from analysis.charts.theme import COLOURS, DARK_PAPER, LIGHT_PAPER, SIGNAL_WORDS, VERDICT_WORDS

__all__ = [
    "COLOURS",
    "DARK_PAPER",
    "LIGHT_PAPER",
    "SIGNAL_WORDS",
    "VERDICT_WORDS",
    "coaching_changes",
    "cusum_lines",
    "cut_words",
    "drift_dots",
    "gauge_bars",
    "gauge_marks",
    "holds_by_day",
    "incidence_curve",
    "init_notebook",
    "missed_bars",
    "months_line",
    "most_telling",
    "order_picture",
    "picture",
    "proof_dots",
    "rate_dots",
    "ratio_board",
    "ratio_dots",
    "recorded_board",
    "reliability_curve",
    "rival_dots",
    "second_check_curve",
    "specification",
    "step_bars",
    "step_board",
    "technique_board",
    "tolerance_curve",
    "unchecked",
    "what_if_bars",
    "worklist_dots",
]
