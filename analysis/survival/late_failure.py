"""Models whose returns come late: wear-out rather than workmanship, told by the shape of their times to return."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl

from analysis.stats import Z95
from analysis.survival.weibull import Weibull, weibull

ALPHA = 0.05


@dataclass(frozen=True)
class LateFailureModel:
    """A brake model whose hazard rises with time against all other models' ."""

    brake_model: str
    model: Weibull
    others: Weibull


def late_failure_models(bleeds: pl.DataFrame) -> tuple[LateFailureModel, ...]:
    """Brake models whose Weibull shape is above all other models' by more than chance.

    A one-sided z-test on the log shapes, Bonferroni over the models (Meeker & Escobar 1998, chapter 8, for the
    errors). A model with fewer than 10 returns is not judged.

    Parameters
    ----------
    bleeds
        brake_model, days_at_risk, end; one bleed a row.
    """
    known = bleeds.select("brake_model", "days_at_risk", back=pl.col("end") == "return").drop_nulls("brake_model")
    alike = known.group_by(pl.all()).len("number").sort("brake_model", "days_at_risk", "back")
    models = alike.get_column("brake_model").unique().sort().to_list()
    limit = NormalDist().inv_cdf(1 - ALPHA / max(len(models), 1))
    late = []
    for model in models:
        of_model = alike.get_column("brake_model") == model
        own, rest = (_fit(alike.filter(mask)) for mask in (of_model, ~of_model))
        if own is not None and rest is not None and _shape_difference_z(own, rest) > limit:
            late.append(LateFailureModel(model, own, rest))
    return tuple(late)


def _fit(alike: pl.DataFrame) -> Weibull | None:
    days, number = (alike.get_column(name).to_numpy().astype(float) for name in ("days_at_risk", "number"))
    return weibull(days, alike.get_column("back").to_numpy(), number)


def _shape_difference_z(model: Weibull, rest: Weibull) -> float:
    """The difference of log shapes over its standard error."""
    errors = [np.log(fit.shape_hi / fit.shape_lo) / (2 * Z95) for fit in (model, rest)]
    return float(np.log(model.shape / rest.shape) / np.hypot(*errors))


def late_model_notes(bleeds: pl.DataFrame) -> tuple[str, ...]:
    """Models whose returns come late, in sentences."""
    return tuple(
        f"{late.brake_model} comes back later than other models (shape {late.model.shape:.2f} against "
        f"{late.others.shape:.2f}): that looks like wear-out of a part, not like workmanship."
        for late in late_failure_models(bleeds)
    )
