"""Measures of how well the audit finds the truth, each with its interval and its aim."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.prove.groups import (
    CALENDAR_CHANGE,
    CALENDAR_SIGNAL,
    FEW_HELD,
    FEW_SIGNALLED,
    GAP_ASKED,
    GAP_JUDGED,
    ONE_FOUND,
    ONE_MISTAKEN,
    SHOP_MISTAKEN,
)
from analysis.prove.held import (
    CHANGE_INVENTED,
    EASY_WORK_FOUND,
    EQUAL_SIGNALLED,
    MONTH_FOUND,
    SCAPEGOAT_CLEARED,
    Held,
)
from analysis.prove.people_facts import (
    DIFFERENCE_FOUND,
    DIFFERENCE_INVENTED,
    EQUAL_NAMED,
    IMPROVEMENT_FOUND,
    IMPROVEMENT_INVENTED,
)
from analysis.prove.risks import risk_rows
from analysis.prove.rows import Aim, at_size, mean_row, root_mean_row, share_row
from analysis.prove.worlds import SIGNS_OF_NO_USE, WITH_EFFECTS, WITHOUT_EFFECT
from analysis.stats import kendall_tau
from schemas import checked, empty
from schemas.outputs import Prove

Numbers = NDArray[np.float64]


COVERAGE = Aim(least=0.93)
TAU = {"air adds up": (0.50, 0.65, 0.82), "effects multiply": (0.80, 0.86, 0.93)}
TOP, ERROR = (0.80, 0.95, 0.97), (0.22, 0.135, 0.055)
"""Aims at 1,000, 3,000 and 20,000 bleeds; a workshop between two sizes is held to the smaller one's."""
PROPORTIONAL = ("loglinear",)
PHYSICAL = tuple(name for name in WITH_EFFECTS if name not in PROPORTIONAL)
FACT_AIMS = {
    EQUAL_SIGNALLED: Aim(most=0.05),
    SCAPEGOAT_CLEARED: Aim(least=0.80),
    EASY_WORK_FOUND: Aim(least=0.80),
    MONTH_FOUND: Aim(least=0.90),
    CHANGE_INVENTED: Aim(most=0.05),
    FEW_SIGNALLED: Aim(most=0.05),
    FEW_HELD: Aim(least=0.93),
    ONE_FOUND: Aim(least=0.85),
    ONE_MISTAKEN: Aim(most=0.05),
    SHOP_MISTAKEN: Aim(most=0.05),
    GAP_JUDGED: Aim(most=0.05),
    GAP_ASKED: Aim(least=0.90),
    CALENDAR_CHANGE: Aim(most=0.05),
    CALENDAR_SIGNAL: Aim(most=0.10),
    EQUAL_NAMED: Aim(most=0.05),
    IMPROVEMENT_INVENTED: Aim(most=0.05),
    IMPROVEMENT_FOUND: Aim(),
    DIFFERENCE_INVENTED: Aim(most=0.05),
    DIFFERENCE_FOUND: Aim(),
}


def proof(worlds: list[Held]) -> DataFrame[Prove]:
    """Every measure by size of workshop.

    Shares have exact binomial limits over workshops (over steps for coverage, which are not quite independent, so
    those limits are a little narrow); means have normal limits over workshops, as the measures are too many to
    resample.
    """
    rows = [row for sessions in sorted({one.sessions for one in worlds}) for row in _rows(worlds, sessions)]
    return checked(Prove, pl.DataFrame(rows, schema=empty(Prove).schema))


def _rows(worlds: list[Held], sessions: int) -> list[dict[str, Any]]:
    mine = [one for one in worlds if one.sessions == sessions]
    told = [one for one in mine if one.estimate]
    rows = _step_rows([one for one in told if one.family in WITH_EFFECTS], sessions)
    null = [any(one.called) for one in told if one.family in WITHOUT_EFFECT]
    rows += [share_row("no step matters: any is called", sessions, null, Aim(most=0.05))]
    rows += risk_rows(
        {one.family: [o.risk for o in mine if o.family == one.family and o.risk] for one in mine}, sessions
    )
    facts = [fact for one in mine for fact in one.facts]
    rows += [share_row(m, sessions, [f.true for f in facts if f.measure == m], aim) for m, aim in FACT_AIMS.items()]
    return [row for row in rows if row["worlds"]]


def _step_rows(worlds: list[Held], sessions: int) -> list[dict[str, Any]]:
    rows = []
    for name in WITH_EFFECTS:
        inside = [_inside(one) for one in worlds if one.family == name]
        row = share_row(
            f"intervals that hold the truth: {name}", sessions, [ok for one in inside for ok in one], COVERAGE
        )
        rows.append(row | {"worlds": len(inside)})
    rows.append(_worst_step(worlds, sessions))
    calling = [one for one in worlds if any(one.called)]
    wrong = [truth <= 0 for one in calling for truth, called in zip(one.truth, one.called, strict=True) if called]
    rows.append(share_row("called steps that cost nothing", sessions, wrong, Aim(most=0.05)) | {"worlds": len(calling)})
    first = [_inside(one)[int(np.argmin(one.rank))] for one in worlds]
    rows.append(share_row("the first-ranked step's interval holds the truth", sessions, first, Aim(least=0.90)))
    for name in SIGNS_OF_NO_USE:
        own = [one for one in worlds if one.family == name]
        by_return = mean_row(
            f"order by return alone (tau): {name}", sessions, [_tau(o, o.by_return) for o in own], Aim()
        )
        least = by_return.get("lo", float("nan"))
        rows += [by_return, mean_row(f"order (tau): {name}", sessions, [_tau(o, _order(o)) for o in own], _aim(least))]
    useful = [one for one in worlds if one.family not in SIGNS_OF_NO_USE]
    for name, families in {"air adds up": PHYSICAL, "effects multiply": PROPORTIONAL}.items():
        order = [_tau(one, _order(one)) for one in useful if one.family in families]
        rows.append(mean_row(f"order (tau): {name}", sessions, order, _aim(at_size(sessions, TAU[name]))))
    top = [_top(one) for one in useful]
    rows.append(share_row("the three costliest among the true top four", sessions, top, Aim(at_size(sessions, TOP))))
    errors = [float(np.mean((np.array(one.estimate) - one.truth) ** 2)) for one in useful]
    rows.append(root_mean_row("error per 100, root mean square", sessions, errors, at_size(sessions, ERROR)))
    return rows


def _worst_step(worlds: list[Held], sessions: int) -> dict[str, Any]:
    """The step whose interval held the truth least often, over every family."""
    held: dict[str, list[bool]] = {}
    for one in worlds:
        for step, inside in zip(one.steps, _inside(one), strict=True):
            held.setdefault(step, []).append(inside)
    worst = min(held.values(), key=lambda inside: float(np.mean(inside)), default=[])
    return share_row("intervals that hold the truth: the worst step", sessions, worst, Aim(least=0.85))


def _aim(least: float) -> Aim:
    return Aim(least=least, share=False)


def _inside(one: Held) -> list[bool]:
    return [lo <= t <= hi for lo, t, hi in zip(one.lo, one.truth, one.hi, strict=True)]


def _order(one: Held) -> list[float]:
    """The order the steps are told in, the costliest highest."""
    return [-float(rank) for rank in one.rank]


def _tau(one: Held, estimate: list[float]) -> float:
    return kendall_tau(estimate, one.truth)


def _top(one: Held) -> bool:
    return set(np.argsort(one.rank)[:3]) <= set(np.argsort(one.truth)[-4:])
