"""What the charts of the trainer's board share: technicians and steps in order, and the two choices."""

from __future__ import annotations

from dataclasses import dataclass

import altair as alt
import polars as pl

from analysis.boards.selection import line_break_expression
from analysis.report import Report

TITLE_LETTERS = 46
MAX_PEOPLE, MAX_STEPS = 16, 19
SHOWN_STEP = (
    "(isValid(step_step) ? step_step : isValid(technician_technician) && indexof(people, technician_technician) >= 0 ? "
    "first_steps[indexof(people, technician_technician)] : step_names[0])"
)
"""The expression for the step that the charts of one step show."""
CHOSEN = "isValid(step_step) || isValid(technician_technician)"
"""The expression for whether a step or a technician is chosen: then the curve is of the step shown, or there is none."""


@dataclass(frozen=True)
class LinkedChoices:
    """Technicians by workshop, steps (by what went wrong) in order of cost, steps with a curve, and the two choices.

    `shops` are the workshops that have technicians here, each with its first technician; empty with one workshop alone.
    `first_steps` is the step to show for each technician while none is chosen.
    """

    people: list[str]
    steps: list[str]
    curves: list[str]
    first_steps: list[str]
    shops: dict[str, str]
    titles: dict[str, str]
    technician: alt.Parameter
    step: alt.Parameter

    @property
    def chosen_step_filter(self) -> str:
        """The expression that keeps the chosen step; where none is, the chosen technician's first, or the costliest."""
        return f"datum.step === ({SHOWN_STEP})"

    @property
    def chosen_curve_filter(self) -> str:
        """The expression that keeps the step shown, or the costliest that has a curve where nothing is chosen."""
        return f"datum.step === ({CHOSEN} ? {SHOWN_STEP} : curve_names[0])"

    def step_title(self, words: str) -> alt.ExprRef:
        """A title that begins with the step shown, in lines as wide as the chart below."""
        text = f"({SHOWN_STEP}) + '{words}'"
        return alt.ExprRef(expr=f"split({line_break_expression(text, TITLE_LETTERS)}, '\\n')")

    @property
    def chosen_person_filter(self) -> str:
        """The expression that keeps the chosen technician; everybody where none is chosen."""
        return "!isValid(technician_technician) || datum.technician === technician_technician"


def linked_choices(report: Report) -> LinkedChoices:
    """The technicians with most bleeds and the recorded steps of a report."""
    titles = report.standard.missed_titles
    available = report.steps.filter(pl.col("recorded") > 0).sort(
        "rank", "share_missed", "step", descending=[False, True, False], nulls_last=True
    )
    ids = available.get_column("step").head(MAX_STEPS).to_list()
    steps = [titles.get(step, step) for step in ids]
    with_curve = set(report.tolerance.get_column("step"))
    people, shops = _busiest_technicians(report)
    return LinkedChoices(
        people=people,
        steps=steps,
        curves=[titles.get(step, step) for step in ids if step in with_curve],
        first_steps=[titles.get(step, step) for step in _first_steps(report, people, ids)],
        shops=shops,
        titles=titles,
        technician=_list_selection("technician", "Technician", people),
        step=_list_selection("step", "Step", steps),
    )


def _busiest_technicians(report: Report) -> tuple[list[str], dict[str, str]]:
    """The technicians with most bleeds, in order of the workshop where each does most; each workshop's first technician."""
    bleeds = report.log.sessions.group_by("technician", "shop", maintain_order=True).len()
    main = bleeds.sort("len", "shop", descending=[True, False]).group_by("technician", maintain_order=True)
    table = main.agg(pl.col("shop").first(), pl.col("len").sum()).sort("len", "technician", descending=[True, False])
    table = table.head(MAX_PEOPLE).sort("shop", "technician", nulls_last=True)
    first = table.drop_nulls("shop").group_by("shop", maintain_order=True).agg(pl.col("technician").first())
    return table.get_column("technician").to_list(), dict(first.iter_rows()) if first.height > 1 else {}


def _first_steps(report: Report, people: list[str], steps: list[str]) -> list[str]:
    """For each technician the step last coached, else the costliest clearly missed more than by peers, else the costliest."""
    if not steps:
        return []
    coached = report.log.coaching.filter(pl.col("step").is_in(steps)).sort("coached_on", "step")
    last = dict(coached.select("technician", "step").iter_rows())
    more = report.technique.filter(pl.col("lo") > 0, pl.col("step").is_in(steps))
    clear = set(more.select("technician", "step").iter_rows())
    return [last.get(who) or next((step for step in steps if (who, step) in clear), steps[0]) for who in people]


def _list_selection(name: str, label: str, options: list[str]) -> alt.Parameter:
    """A point selection with its list, by clicks on the marks named after it."""
    numbers = ("", "_0", "_1", "_2")  # Altair numbers the names of charts that carry a parameter
    clicks = ", ".join(f"@{mark}{at}_marks:click" for mark in ("matrix", f"{name}_dots") for at in numbers)
    bind = alt.binding_select(options=[None, *options], labels=["all", *options], name=f"{label} ")
    return alt.selection_point(name=name, fields=[name], on=clicks, bind=bind)
