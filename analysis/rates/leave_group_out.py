"""Comebacks expected of each group if the other groups had done its work, and the precision of that expectation.

The case-mix model is fitted without the group (with more than 20 groups, without its fold), and its level is set by the
reference: the other groups that do not stand out themselves. The expectation has the sampling variance of the reference
count and of the model's coefficients.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.rates.case_mix import CaseMix, Codes, FloatArray
from analysis.rates.crude import NOT_RECORDED
from analysis.rates.expected_risk import CrossFittedRisk, fit_cross_fitted_risk
from analysis.stats import cluster_design_effect, level_codes

MAX_FOLDS = 20
RIDGE = 1.0
"""The ridge penalty of `stats.cross_fitted_logistic`."""


@dataclass(frozen=True)
class Expectation:
    """Expected comebacks of each group, and the Poisson count with the same relative precision (mean² / variance).

    NaN and 0 where there is no reference.
    """

    expected: FloatArray
    reference: FloatArray


@dataclass(frozen=True)
class _FitSums:
    """Sums over some bleeds by each fit: predicted comebacks, their gradient in the coefficients, observed comebacks."""

    predicted: FloatArray
    gradient: FloatArray
    observed: FloatArray

    def subtract(self, other: _FitSums, where: NDArray[np.bool_]) -> _FitSums:
        """Without other bleeds, in the fits that include them."""
        return _FitSums(
            self.predicted - where * other.predicted,
            self.gradient - where[:, None] * other.gradient,
            self.observed - where * other.observed,
        )


@dataclass(frozen=True)
class LeaveGroupOut:
    """Groups of bleeds to be compared with the other groups.

    `codes` is each bleed's group, `fold_of` each group's fold; `mature`, `returned` and `bikes` have one entry per bleed.
    """

    fits: CrossFittedRisk
    codes: Codes
    fold_of: Codes
    mature: NDArray[np.bool_]
    returned: NDArray[np.bool_]
    bikes: Codes

    @property
    def groups(self) -> int:
        return len(self.fold_of)

    @cached_property
    def observed(self) -> FloatArray:
        """Comebacks among each group's mature bleeds."""
        return np.bincount(self.codes, self.mature & self.returned, self.groups).astype(float)

    @cached_property
    def clustering(self) -> float:
        """Design effect of bleeds of the same bike and group being alike, at least 1."""
        residual = np.where(self.mature, self.returned - self.fits.of_each_bleed, 0.0)
        return cluster_design_effect(residual, self.bikes * self.groups + self.codes)

    def expectation(self, excluded: NDArray[np.bool_]) -> Expectation:
        """Expected comebacks of each group, with all other groups that are not `excluded` as the reference."""
        reference_sums = self._outside_folds
        for group in np.flatnonzero(excluded).tolist():
            outside = np.arange(len(reference_sums.predicted)) != self.fold_of[group]
            reference_sums = reference_sums.subtract(self._sums_in_every_fit(group), outside)
        expected, reference = np.full(self.groups, np.nan), np.zeros(self.groups)
        for group, fold in enumerate(self.fold_of.tolist()):
            predicted, own = float(reference_sums.predicted[fold]), float(self._sums_by_group.predicted[group])
            observed = float(reference_sums.observed[fold])
            if observed < 0.5 or predicted < 1e-9 or own <= 0:
                continue
            gradient = self._sums_by_group.gradient[group] / own - reference_sums.gradient[fold] / predicted
            expected[group] = own * observed / predicted
            reference[group] = 1 / (1 / observed + float(gradient @ self._covariances[fold] @ gradient))
        return Expectation(expected, reference)

    @cached_property
    def _mature_by_pattern(self) -> list[FloatArray]:
        """Each group's number of mature bleeds by covariate pattern."""
        order = np.argsort(self.codes, kind="stable")
        ends = np.cumsum(np.bincount(self.codes, minlength=self.groups))
        rows = np.split(order[: ends[-1]], ends[:-1])
        pattern, size = self.fits.patterns.pattern_index, len(self.fits.patterns.x)
        return [np.bincount(pattern[own], self.mature[own], size).astype(float) for own in rows]

    @cached_property
    def _sums_by_group(self) -> _FitSums:
        """Each group by the fit without it; observed comebacks are not filled in."""
        sums = [
            self._sum_by_fits(counts[:, None], [fold])
            for counts, fold in zip(self._mature_by_pattern, self.fold_of, strict=True)
        ]
        parts = zip(*((own.predicted, own.gradient, own.observed) for own in sums), strict=True)
        return _FitSums(*(np.concatenate(part) for part in parts))

    def _sums_in_every_fit(self, group: int) -> _FitSums:
        folds = range(self.fits.risk.shape[1])
        sums = self._sum_by_fits(np.repeat(self._mature_by_pattern[group][:, None], len(folds), axis=1), folds)
        return _FitSums(sums.predicted, sums.gradient, np.full(len(folds), self.observed[group]))

    @cached_property
    def _outside_folds(self) -> _FitSums:
        """All bleeds outside each fold, by the fit without it."""
        counts = self._trials_outside
        sums = self._sum_by_fits(counts, range(counts.shape[1]))
        successes = self.fits.successes.sum(axis=0)
        return _FitSums(sums.predicted, sums.gradient, successes.sum() - successes)

    @property
    def _trials_outside(self) -> FloatArray:
        return np.asarray(self.fits.trials.sum(axis=1, keepdims=True) - self.fits.trials)

    def _sum_by_fits(self, counts: FloatArray, folds: Sequence[int]) -> _FitSums:
        """Sums by the fits without these folds, for counts of each covariate pattern, one column per fold."""
        risk = self.fits.risk[:, folds]
        gradient = (counts * risk * (1 - risk)).T @ self.fits.patterns.x
        return _FitSums((counts * risk).sum(axis=0), gradient, np.zeros(counts.shape[1]))

    @cached_property
    def _covariances(self) -> FloatArray:
        """Covariance of the coefficients of each fit, without the intercept: folds × p × p."""
        x = np.column_stack([self.fits.patterns.x, np.ones(len(self.fits.patterns.x))])
        ridge = np.diag([*np.full(x.shape[1] - 1, RIDGE), 1e-9])
        weight = self._trials_outside * self.fits.risk * (1 - self.fits.risk)
        return np.stack([np.linalg.inv((x.T * w) @ x + ridge)[:-1, :-1] for w in weight.T])


def leave_group_out(data: BleedData, column: str, case_mix: CaseMix, rng: np.random.Generator) -> LeaveGroupOut:
    """Fit the case-mix model without each group of a column, groups sorted by name.

    Where the column belongs to the case mix it is not adjusted for.

    Parameters
    ----------
    data
        All accepted bleeds.
    column
        The column whose groups are compared.
    case_mix
        `build_case_mix(data.bleeds)`.
    rng
        Assigns groups to folds if there are more than 20.
    """
    codes = level_codes(data.bleeds.get_column(column).fill_null(NOT_RECORDED))
    groups = int(codes.max(initial=0)) + 1
    fold_of = rng.permutation(np.arange(groups) % min(groups, MAX_FOLDS))
    mature, returned = (data.bleeds.get_column(name).to_numpy() for name in ("mature", "came_back"))
    fits = fit_cross_fitted_risk(
        case_mix.patterns(column), fold_of[codes], mature.astype(float), returned.astype(float)
    )
    return LeaveGroupOut(fits, codes, fold_of, mature, returned, case_mix.group(data.bleeds, "bike_id"))
