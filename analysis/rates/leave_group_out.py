"""Comebacks expected of each group if the other groups had done its work, and the precision of that expectation.

The case-mix model is fitted without the group (with more than 20 groups, without its fold) and without groups that stand
out; its level is set by the same reference. The expectation has the sampling variance of the reference count and of the
model's coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.rates.case_mix import CaseMix, Codes
from analysis.rates.crude import NOT_RECORDED
from analysis.rates.expected_risk import CrossFittedRisk, fit_cross_fitted_risk
from analysis.stats import FloatArray, cluster_design_effect, level_codes

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
class LeaveGroupOut:
    """Groups of bleeds to be compared with the other groups.

    `fits` learned from the mature bleeds of all groups but those excluded (`without`). `codes` is each bleed's group, `fold_of`
    each group's fold; `mature`, `returned` and `bikes` have one entry per bleed.
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
    def clustering(self) -> float:
        """Design effect of bleeds of the same bike and group being alike, at least 1."""
        residual = np.where(self.mature, self.returned - self.fits.of_each_bleed, 0.0)
        return cluster_design_effect(residual, self.bikes * self.groups + self.codes)

    def without(self, excluded: NDArray[np.bool_]) -> LeaveGroupOut:
        """The same groups compared with a reference, and a case-mix model, without the excluded ones."""
        learned = (self.mature & ~excluded[self.codes]).astype(float)
        fits = fit_cross_fitted_risk(self.fits.patterns, self.fits.fold, learned, self.returned.astype(float))
        return replace(self, fits=fits)

    def expectation(self) -> Expectation:
        """Expected comebacks of each group, with the other groups that the model learned from as the reference."""
        outside = self.fits.trials.sum(axis=1, keepdims=True) - self.fits.trials
        predicted, slope = self._sums(outside, slice(None))
        successes = self.fits.successes.sum(axis=0)
        comebacks = successes.sum() - successes
        covariances = self._covariances(outside)
        expected, reference = np.full(self.groups, np.nan), np.zeros(self.groups)
        for group, fold in enumerate(self.fold_of.tolist()):
            own, own_slope = (part[0] for part in self._sums(self._mature_by_pattern[group][:, None], [fold]))
            if comebacks[fold] < 0.5 or predicted[fold] < 1e-9 or own <= 0:
                continue
            gradient = own_slope / own - slope[fold] / predicted[fold]
            expected[group] = own * comebacks[fold] / predicted[fold]
            reference[group] = 1 / (1 / comebacks[fold] + float(gradient @ covariances[fold] @ gradient))
        return Expectation(expected, reference)

    @cached_property
    def _mature_by_pattern(self) -> list[FloatArray]:
        """Each group's number of mature bleeds by covariate pattern."""
        order = np.argsort(self.codes, kind="stable")
        ends = np.cumsum(np.bincount(self.codes, minlength=self.groups))
        rows = np.split(order[: ends[-1]], ends[:-1])
        pattern, size = self.fits.patterns.pattern_index, len(self.fits.patterns.x)
        return [np.bincount(pattern[own], self.mature[own], size).astype(float) for own in rows]

    def _sums(self, counts: FloatArray, folds: slice | list[int]) -> tuple[FloatArray, FloatArray]:
        """Predicted comebacks and their gradient in the coefficients, by the fits without these folds.

        `counts` has one row per covariate pattern and one column per fold.
        """
        risk = self.fits.risk[:, folds]
        return (counts * risk).sum(axis=0), (counts * risk * (1 - risk)).T @ self.fits.patterns.x

    def _covariances(self, outside: FloatArray) -> FloatArray:
        """Covariance of the coefficients of each fit, without the intercept: folds × p × p."""
        x = np.column_stack([self.fits.patterns.x, np.ones(len(self.fits.patterns.x))])
        ridge = np.diag([*np.full(x.shape[1] - 1, RIDGE), 1e-9])
        weight = outside * self.fits.risk * (1 - self.fits.risk)
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
