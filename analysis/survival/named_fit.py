"""Time to return on named columns of a frame, with a table of hazard ratios."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.errors import UserError
from analysis.stats import Z95, level_codes
from analysis.survival.cox import CoxModel
from analysis.survival.survival_model import SurvivalModel
from schemas import field_entries
from schemas.log import Sessions

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class SurvivalFit:
    """A fitted time-to-return model with names: `terms` of its columns, and the rows and events that it was fitted to.

    `left_out` counts rows with a missing value; `clustered` says whether errors are by cluster (sandwich) or from the
    information.
    """

    model: SurvivalModel = field(repr=False)
    terms: tuple[str, ...]
    n: int
    events: int
    left_out: int
    clustered: bool

    def summary(self) -> pl.DataFrame:
        """One row per term: term, hazard_ratio with its 95% interval (lo, hi), p (Wald, two-sided), n and events.

        A number's hazard ratio is per unit, a word's against the first level, a yes/no field's yes against no.
        """
        from scipy.stats import norm

        coefficients, covariance = self.model.coefficients, self.model.covariance
        if self.clustered:
            influence = self.model.influence(np.eye(len(coefficients)))
            covariance = influence.T @ influence
        error = np.sqrt(np.diag(covariance))
        return pl.DataFrame(
            {
                "term": self.terms,
                "hazard_ratio": np.exp(coefficients),
                "lo": np.exp(coefficients - Z95 * error),
                "hi": np.exp(coefficients + Z95 * error),
                "p": 2 * norm.sf(np.abs(coefficients) / error),
            }
        ).with_columns(n=pl.lit(self.n), events=pl.lit(self.events))


def fit_survival(
    frame: pl.DataFrame,
    columns: Sequence[str],
    *,
    days: str,
    event: str,
    cluster: str | None = None,
    model: type[SurvivalModel] = CoxModel,
) -> SurvivalFit:
    """Fit the time to return to chosen columns, unpenalised.

    Sources: D. R. Cox 1972, J. R. Stat. Soc. B 34:187-220; D. Y. Lin & L. J. Wei 1989, J. Am. Stat. Assoc. 84:1074-1078
    (standard errors by cluster).

    Parameters
    ----------
    frame
        One row per bleed, for example `report.data.bleeds`. Rows with a missing value are left out and counted.
    columns
        Columns of numbers, text or yes/no.
    days, event
        Columns with whole days at risk (0 or more), and whether they ended in the event.
    cluster
        Column that identifies clusters, for example bike_id; without it, rows are treated as independent.
    model
        Model class: `CoxModel` or `WeibullModel`.

    Raises
    ------
    UserError
        The frame lacks a column, a column does not vary, or there is no event.
    """
    names = [*columns, days, event, *([cluster] if cluster else [])]
    lacking = [name for name in names if name not in frame.columns]
    if lacking:
        raise UserError("fit_survival", f"the frame has no column {', '.join(lacking)}", "columns of the frame", "")
    complete = frame.select(list(dict.fromkeys(names))).drop_nulls()
    happened = complete.get_column(event).cast(pl.Boolean).to_numpy()
    if not happened.any():
        raise UserError("fit_survival", f"{event} is never true", "at least one event", "use crude rates instead")
    terms: dict[str, FloatArray] = {}
    for name in columns:
        terms |= _term_columns(complete.get_column(name))
    x = np.column_stack(list(terms.values())) if terms else np.zeros((complete.height, 0))
    clusters = None if cluster is None else level_codes(complete.get_column(cluster))
    fitted = model.fit(
        x - x.mean(axis=0), complete.get_column(days).cast(pl.Int64).to_numpy(), happened, clusters=clusters
    )
    left_out = frame.height - complete.height
    return SurvivalFit(fitted, tuple(terms), complete.height, int(happened.sum()), left_out, cluster is not None)


def _term_columns(values: pl.Series) -> dict[str, FloatArray]:
    """Columns of one field by the name that readers see."""
    entry = next((entry for entry in field_entries("sessions", Sessions) if entry.name == values.name), None)
    label = values.name if entry is None else entry.label
    if values.n_unique() < 2:
        raise UserError("fit_survival", f"{values.name} has the same value in all rows", "a column that varies", "")
    if values.dtype == pl.String:
        first, *others = values.unique().sort().to_list()
        return {f"{label}: {level} (against {first})": (values == level).to_numpy().astype(float) for level in others}
    if values.dtype == pl.Boolean:
        return {label: values.to_numpy().astype(float)}
    unit = f", per {entry.unit}" if entry is not None and entry.unit else ""
    return {f"{label}{unit}": values.cast(pl.Float64).to_numpy()}
