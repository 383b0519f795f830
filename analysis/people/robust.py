"""What a doubted log does to the ranking of steps: reckoned again without the entries of whoever has a flag."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.prepared import Prepared
from analysis.stats import Z95, kendall_tau
from analysis.steps import by_return, design_of, raw_steps
from schemas import checked
from schemas.between import MissedSteps
from schemas.outputs import Credibility

Numbers = NDArray[np.float64]
LEAST_BLEEDS = 10
_KINDS = {"technician": pl.String, "flag": pl.Boolean, "ranking_tau": pl.Float64, "ranking_holds": pl.Boolean}


@dataclass(frozen=True)
class _Estimates:
    """What meeting each step would prevent, from returns alone, with its standard error."""

    steps: tuple[str, ...]
    prevented: Numbers
    sd: Numbers


def with_robustness(prepared: Prepared, found: DataFrame[Credibility]) -> DataFrame[Credibility]:
    """The findings with what leaving out each flagged technician's entries does to the step ranking.

    Steps are reckoned from returns alone (layer 1), once with every entry and once without those of one technician.
    `ranking_holds` when no step's estimate leaves its own 95% interval and the costliest step stays the costliest, or
    within chance of it; empty where nothing is flagged, or too few comebacks are left to rank anything.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    found
        What `credibility` found in all bleeds.
    """
    doubted = found.filter("flag").get_column("technician").unique().sort().to_list()
    whole = _estimates(prepared) if doubted else None
    if whole is None:
        return found
    rows: list[dict[str, object]] = []
    for technician in doubted:
        rest = _estimates(without(prepared, technician))
        if rest is not None:
            rows.append({"technician": technician, "flag": True} | _compared(whole, rest))
    if not rows:
        return found
    told = found.drop("ranking_tau", "ranking_holds").join(
        pl.DataFrame(rows, schema=_KINDS), on=["technician", "flag"], how="left", maintain_order="left"
    )
    return checked(Credibility, told.select(found.columns))


def without(prepared: Prepared, technician: str) -> Prepared:
    """The same log without one technician's bleeds."""
    kept = prepared.bleeds.get_column("technician") != technician
    missed = checked(MissedSteps, prepared.missed.filter(kept))
    return replace(prepared, bleeds=prepared.bleeds.filter(kept), missed=missed)


def _estimates(prepared: Prepared) -> _Estimates | None:
    raw = raw_steps(prepared)
    met = raw.get_column("recorded") - raw.get_column("missed")
    enough = (raw.get_column("missed") >= LEAST_BLEEDS) & (met >= LEAST_BLEEDS)
    if prepared.too_few or int(enough.sum()) < 2:
        return None
    steps = tuple(raw.filter(enough).get_column("step"))
    told = by_return(prepared, design_of(prepared, steps))
    return _Estimates(steps, told.prevented, told.sd)


def _compared(whole: _Estimates, rest: _Estimates) -> dict[str, object]:
    both = [step for step in whole.steps if step in rest.steps]
    places = [whole.steps.index(step) for step in both]
    before, sd = whole.prevented[places], whole.sd[places]
    after = rest.prevented[[rest.steps.index(step) for step in both]]
    inside = np.abs(after - before) <= Z95 * sd
    first, now = int(np.argmax(before)), int(np.argmax(after))
    near = before[first] - before[now] <= Z95 * float(np.hypot(sd[first], sd[now]))
    tau = kendall_tau(before, after)
    if not np.isfinite(tau):  # everybody is alike, so there is no order
        return {"ranking_tau": None, "ranking_holds": None}
    return {"ranking_tau": tau, "ranking_holds": bool(inside.all() and near)}
