"""What a doubted log does to the ranking of steps: reckoned again without the entries of whoever has a flag."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.prepared import Prepared
from analysis.stats import Z95, kendall_tau
from analysis.steps import FIELDS_READ, by_return, design_of, raw_steps
from schemas import checked
from schemas.between import MissedSteps
from schemas.outputs import Credibility

Numbers = NDArray[np.float64]
LEAST_BLEEDS = 10
FEW_WORDS = ("job_reason", "fluid_required", "bike_kind", "fluid_out", "shop", "brake_model")
_KINDS = {"technician": pl.String, "flag": pl.Boolean, "ranking_tau": pl.Float64, "ranking_holds": pl.Boolean}


@dataclass(frozen=True)
class _Spared:
    """What each step would spare, from returns alone, with its standard error."""

    steps: tuple[str, ...]
    spared: Numbers
    sd: Numbers


def with_robustness(prepared: Prepared, found: DataFrame[Credibility]) -> DataFrame[Credibility]:
    """The findings with what leaving out each flagged technician's entries does to the step ranking.

    Steps are reckoned from returns alone (layer 1), once with every entry and once without those of one technician.
    `ranking_holds` when no step's estimate leaves its own 95% interval and the costliest step stays the costliest, or
    within chance of it; empty where nothing is flagged, or too few comebacks are left to rank anything.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    found
        What `credibility(prepared)` found.
    """
    doubted = found.filter("flag").get_column("technician").unique().sort().to_list()
    whole = _spared(prepared) if doubted else None
    if whole is None:
        return found
    rows: list[dict[str, object]] = []
    small = _small(prepared)
    for technician in doubted:
        rest = _spared(without(small, technician))
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


def _small(prepared: Prepared) -> Prepared:
    """What layer 1 reads of the bleeds, words of which there are few as places in a list of them: quick to take part of."""
    bleeds = prepared.bleeds.select(FIELDS_READ)
    lists = {name: pl.Enum(bleeds.get_column(name).fill_null("").unique().sort()) for name in FEW_WORDS}
    return replace(prepared, bleeds=bleeds.cast({name: kind for name, kind in lists.items() if len(kind.categories)}))


def _spared(prepared: Prepared) -> _Spared | None:
    raw = raw_steps(prepared)
    met = raw.get_column("recorded") - raw.get_column("missed")
    enough = (raw.get_column("missed") >= LEAST_BLEEDS) & (met >= LEAST_BLEEDS)
    if prepared.too_few or int(enough.sum()) < 2:
        return None
    steps = tuple(raw.filter(enough).get_column("step"))
    told = by_return(prepared, design_of(prepared, steps))
    return _Spared(steps, told.spared, told.sd)


def _compared(whole: _Spared, rest: _Spared) -> dict[str, object]:
    both = [step for step in whole.steps if step in rest.steps]
    places = [whole.steps.index(step) for step in both]
    before, sd = whole.spared[places], whole.sd[places]
    after = rest.spared[[rest.steps.index(step) for step in both]]
    inside = np.abs(after - before) <= Z95 * sd
    first, now = int(np.argmax(before)), int(np.argmax(after))
    near = before[first] - before[now] <= Z95 * float(np.hypot(sd[first], sd[now]))
    tau = kendall_tau(before, after)
    if not np.isfinite(tau):  # everybody is alike, so there is no order
        return {"ranking_tau": None, "ranking_holds": None}
    return {"ranking_tau": tau, "ranking_holds": bool(inside.all() and near)}
