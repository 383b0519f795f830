"""What the same mix of work would give: each bleed's expected risk from what came in, fitted without its own group."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import Block, fit_returns, follow_of
from analysis.prepared import Prepared

Numbers = NDArray[np.float64]
WORDS = ("brake_model", "hose_route", "brake", "job_reason", "fluid_required", "bike_kind", "fluid_out")
TRAVEL_BANDS = 5
MOST_FOLDS = 20
FOLDS = 5
INVERSE_RIDGE = 1.0


def expected_risk(
    prepared: Prepared, rng: np.random.Generator, *, kind: str = "bike_id", without: str | None = None
) -> Numbers:
    """Each bleed's risk within the window by what came in alone, cross-fitted.

    Never technique, signs, technician or shop. A ridge logistic regression on mature bleeds; a bleed's prediction comes
    from a fit that saw no bleed of its fold. Scaled so that expected equals observed over all mature bleeds.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For the folds.
    kind
        The column whose groups stay whole in a fold: the bike, or the group to be compared (left out of its own fit).
    without
        A context column that is itself compared, left out of the model.

    Returns
    -------
    ndarray
        One risk a bleed, in the order of `prepared.bleeds`.
    """
    cells, place = _cells(prepared.bleeds, without)
    fold = _folds(prepared.bleeds, kind, rng)
    mature = prepared.bleeds.get_column("mature").to_numpy()
    back = prepared.bleeds.get_column("came_back").to_numpy()
    risk = np.empty(len(place))
    for k in range(fold.max(initial=0) + 1):
        outside = fold == k
        risk[outside] = _fitted(cells, place, mature & ~outside, back)[place[outside]]
    expected, observed = risk[mature].sum(), float(back[mature].sum())
    return np.clip(risk * (observed / expected if expected > 0 else 1.0), 0, 1)


def _fitted(cells: Numbers, place: NDArray[np.int64], rows: NDArray[np.bool_], back: NDArray[np.bool_]) -> Numbers:
    """Risk of every cell of work, from counts of some rows."""
    from sklearn.linear_model import LogisticRegression

    n = np.bincount(place[rows], minlength=len(cells)).astype(float)
    y = np.bincount(place[rows & back], minlength=len(cells)).astype(float)
    if y.sum() == 0 or y.sum() == n.sum() or cells.shape[1] == 0:
        return np.full(len(cells), y.sum() / max(n.sum(), 1))
    seen = n > 0
    x = np.concatenate([cells[seen], cells[seen]])
    outcome = np.repeat([1, 0], seen.sum())
    weight = np.concatenate([y[seen], (n - y)[seen]])
    told = weight > 0
    model = LogisticRegression(C=INVERSE_RIDGE, solver="newton-cholesky").fit(x[told], outcome[told], weight[told])
    return model.predict_proba(cells)[:, 1]


def _cells(bleeds: pl.DataFrame, without: str | None) -> tuple[Numbers, NDArray[np.int64]]:
    """Distinct kinds of work as indicator columns, and which one each bleed is."""
    words = [name for name in WORDS if name != without]
    travel = pl.col("lever_travel_before_mm")
    band = (travel.rank() / travel.count() * TRAVEL_BANDS).ceil().cast(pl.Int64).cast(pl.String)
    frame = bleeds.select(*(pl.col(name).fill_null("") for name in words), band=band.fill_null(""))
    if "brake" in words and "hose_route" in words:
        frame = frame.with_columns(both=pl.concat_str("brake", "hose_route"))
    numbered = frame.with_columns(cell=pl.struct(frame.columns).rank("dense").cast(pl.Int64) - 1)
    distinct = numbered.unique("cell").sort("cell").drop("cell")
    columns = [
        np.eye(codes.max(initial=0) + 1)[codes][:, 1:]
        for name in distinct.columns
        for codes in [distinct.get_column(name).rank("dense").to_numpy().astype(np.int64) - 1]
    ]
    return np.hstack(columns), numbered.get_column("cell").to_numpy()


def _folds(bleeds: pl.DataFrame, kind: str, rng: np.random.Generator) -> NDArray[np.int64]:
    codes = bleeds.get_column(kind).fill_null("").rank("dense").to_numpy().astype(np.int64) - 1
    groups = codes.max(initial=0) + 1
    if groups == 1:
        return np.zeros(len(codes), dtype=np.int64) if kind != "bike_id" else codes
    many = FOLDS if kind == "bike_id" else min(groups, MOST_FOLDS)
    return rng.permutation(np.arange(groups) % many)[codes]


def expected_returns(prepared: Prepared, rng: np.random.Generator, *, kind: str, without: str | None = None) -> Numbers:
    """Each bleed's expected number of returns over all its time at risk, by what came in alone, cross-fitted.

    The same comparison with twice the evidence: a return on day 120 and a bleed five weeks old both count. A
    time-to-return model of the context (ridge), fitted without the bleed's fold; the expectation is the cumulative
    hazard over the bleed's own time at risk, scaled so that expected equals observed in all.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    rng
        For the folds.
    kind, without
        As in `expected_risk`.
    """
    cells, place = _cells(prepared.bleeds, without)
    fold = _folds(prepared.bleeds, kind, rng)
    days = prepared.bleeds.get_column("days_at_risk").to_numpy()
    back = (prepared.bleeds.get_column("end") == "return").to_numpy()
    x = (cells - cells[place].mean(axis=0)).astype(np.float64)
    expected = np.zeros(len(place))
    for k in range(fold.max(initial=0) + 1):
        outside = fold == k
        inside = ~outside if (back & ~outside).any() else np.ones(len(fold), dtype=bool)
        model = fit_returns(
            x[place[inside]], follow_of(days[inside], back[inside]), [Block(0, x.shape[1], INVERSE_RIDGE)]
        )
        expected[outside] = model.cumulative(days[outside]) * np.exp(x[place[outside]] @ model.coefficients)
    return expected * (back.sum() / expected.sum() if expected.sum() > 0 else 1.0)
