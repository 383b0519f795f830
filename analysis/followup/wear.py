"""Models whose returns come late: wear-out rather than workmanship, told by the shape of their times to return."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl

from analysis.followup.weibull import Weibull, weibull
from analysis.stats import Z95

ALPHA = 0.05


@dataclass(frozen=True)
class LateModel:
    """A brake model whose hazard rises with time against all other models' ."""

    brake_model: str
    model: Weibull
    others: Weibull


def late_models(bleeds: pl.DataFrame) -> tuple[LateModel, ...]:
    """Brake models whose Weibull shape is above all other models' by more than chance.

    A one-sided z-test on the log shapes, Bonferroni over the models (Meeker & Escobar 1998, chapter 8, for the
    errors). A model with fewer than 10 returns is not judged.

    Parameters
    ----------
    bleeds
        brake_model, days_at_risk, end; one bleed a row.
    """
    named = bleeds.select("brake_model", "days_at_risk", "end").filter(pl.col("brake_model").is_not_null())
    models = named.get_column("brake_model").unique().sort().to_list()
    limit = NormalDist().inv_cdf(1 - ALPHA / max(len(models), 1))
    found = []
    for model in models:
        own, rest = (
            _fit(named.filter(mask)) for mask in (pl.col("brake_model") == model, pl.col("brake_model") != model)
        )
        if own is not None and rest is not None and _apart(own, rest) > limit:
            found.append(LateModel(model, own, rest))
    return tuple(found)


def _fit(bleeds: pl.DataFrame) -> Weibull | None:
    days = bleeds.get_column("days_at_risk").to_numpy().astype(float)
    return weibull(days, (bleeds.get_column("end") == "return").to_numpy())


def _apart(own: Weibull, rest: Weibull) -> float:
    """The difference of log shapes over its standard error."""
    errors = [np.log(fit.shape_hi / fit.shape_lo) / (2 * Z95) for fit in (own, rest)]
    return float(np.log(own.shape / rest.shape) / np.hypot(*errors))
