"""Charts: a table in, an Altair chart out. Nothing here computes an estimate."""

from analysis.charts.chart_tables import BASELINE_LABELS, HOLD_LABELS
from analysis.charts.embed import prefetch_svg, quick_composition, specification, svg
from analysis.charts.learning import learning_curves
from analysis.charts.months import cusum_lines, months_line
from analysis.charts.own_look import init_notebook
from analysis.charts.people import coaching_changes, recorded_board, technique_board
from analysis.charts.rates import (
    holds_by_day,
    incidence_curve,
    rate_dots,
    ratio_board,
    ratio_dots,
    select_groups,
    truncation_note,
)
from analysis.charts.risk import (
    baseline_comparison,
    calibration_over_time,
    predictions_by_tenth,
    reliability_curve,
    second_check_curve,
    worklist_dots,
)
from analysis.charts.steps import missed_bars, step_bars, step_board, tolerance_curve, what_if_bars
from analysis.charts.studies import gauge_bars, gauge_marks, proof_dots
from analysis.charts.theme import COLOURS, DARK_PAPER, LIGHT_PAPER, SIGNAL_LABELS, VERDICT_LABELS

__all__ = [
    "BASELINE_LABELS",
    "COLOURS",
    "DARK_PAPER",
    "HOLD_LABELS",
    "LIGHT_PAPER",
    "SIGNAL_LABELS",
    "VERDICT_LABELS",
    "baseline_comparison",
    "calibration_over_time",
    "coaching_changes",
    "cusum_lines",
    "gauge_bars",
    "gauge_marks",
    "holds_by_day",
    "incidence_curve",
    "init_notebook",
    "learning_curves",
    "missed_bars",
    "months_line",
    "predictions_by_tenth",
    "prefetch_svg",
    "proof_dots",
    "quick_composition",
    "rate_dots",
    "ratio_board",
    "ratio_dots",
    "recorded_board",
    "reliability_curve",
    "second_check_curve",
    "select_groups",
    "specification",
    "step_bars",
    "step_board",
    "svg",
    "technique_board",
    "tolerance_curve",
    "truncation_note",
    "what_if_bars",
    "worklist_dots",
]
