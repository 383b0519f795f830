"""Boards: the charts of one reader as one linked chart. Nothing here estimates; crude rates are counted in the browser."""

from analysis.boards.analyst_board import analyst_board
from analysis.boards.board_cells import NOT_RECORDED, WORK, CountedCells, count_cells
from analysis.boards.figures import KeyFigure, lead_figures, money_per_year
from analysis.boards.lead_board import lead_board
from analysis.boards.recording_flags import PATTERN_LABELS
from analysis.boards.trainer_board import trainer_board

__all__ = [
    "NOT_RECORDED",
    "PATTERN_LABELS",
    "WORK",
    "CountedCells",
    "KeyFigure",
    "analyst_board",
    "count_cells",
    "lead_board",
    "lead_figures",
    "money_per_year",
    "trainer_board",
]
