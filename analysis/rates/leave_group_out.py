"""What a group's work would give in the hands of the other groups, and how many comebacks that rests on.

The case-mix model is fitted without the group (or, of more than 20 groups, without its fold). Its level is set by the
reference: the other groups that do not differ themselves. Both what the reference counted and what its model does not
know of the group's own work make the expectation uncertain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.rates.case_mix import CaseMix, Codes, FloatArray
from analysis.rates.cross_fitted_risk import CrossFittedRisk, fit_cross_fitted_risk
from analysis.rates.crude import NOT_RECORDED
from analysis.stats import level_codes

MAX_FOLDS = 20
RIDGE = 1.0
"""The penalty of `stats.cross_fitted_logistic`."""


@dataclass(frozen=True)
class Expectation:
    """One entry a group: comebacks expected, and the number of comebacks that it is as uncertain as (its squared mean
    over its variance). NaN and 0 where there is nobody to compare with."""

    expected: FloatArray
    reference: FloatArray


@dataclass(frozen=True)
class _Sums:
    """Comebacks that a fit gives some bleeds, how that changes with its coefficients, and comebacks they had; one row a fit."""

    level: FloatArray
    slope: FloatArray
    events: FloatArray

    def less(self, some: _Sums, where: NDArray[np.bool_]) -> _Sums:
        """Without some of the bleeds, in the fits that saw them."""
        return _Sums(
            self.level - where * some.level, self.slope - where[:, None] * some.slope, self.events - where * some.events
        )


@dataclass(frozen=True)
class LeaveGroupOut:
    """Groups of bleeds, each to be compared with the others. `codes` numbers each bleed's group, `fold_of` a group's fold."""

    fits: CrossFittedRisk
    codes: Codes
    fold_of: Codes
    mature: NDArray[np.bool_]
    back: NDArray[np.bool_]
    bikes: Codes

    @property
    def groups(self) -> int:
        return len(self.fold_of)

    @cached_property
    def observed(self) -> FloatArray:
        """Comebacks of each group's mature bleeds."""
        return np.bincount(self.codes, self.mature & self.back, self.groups).astype(float)

    @cached_property
    def clustering(self) -> float:
        """How much more than the binomial the counts of groups vary, because bleeds of one bike resemble each other: squared
        sums of residuals by bike and group over squared residuals, at least 1.

        Source: the cluster-robust variance of K.-Y. Liang & S. L. Zeger 1986, Biometrika 73:13-22, as a design effect.
        """
        left = np.where(self.mature, self.back - self.fits.of_each_bleed, 0.0)
        _, cluster = np.unique(self.bikes * self.groups + self.codes, return_inverse=True)
        squares = float((left**2).sum())
        return max(float((np.bincount(cluster, left) ** 2).sum()) / squares, 1.0) if squares > 0 else 1.0

    def expectation(self, apart: NDArray[np.bool_]) -> Expectation:
        """What the groups that are not `apart` would give on each group's work (a group is never compared with itself)."""
        elsewhere = self._outside
        for group in np.flatnonzero(apart).tolist():
            elsewhere = elsewhere.less(
                self._in_every_fit(group), np.arange(len(elsewhere.level)) != self.fold_of[group]
            )
        expected, reference = np.full(self.groups, np.nan), np.zeros(self.groups)
        for group, fold in enumerate(self.fold_of.tolist()):
            level, own = float(elsewhere.level[fold]), float(self._own.level[group])
            events = float(elsewhere.events[fold])
            if events < 0.5 or level < 1e-9 or own <= 0:
                continue
            work_apart = self._own.slope[group] / own - elsewhere.slope[fold] / level
            expected[group] = own * events / level
            reference[group] = 1 / (1 / events + float(work_apart @ self._covariances[fold] @ work_apart))
        return Expectation(expected, reference)

    @cached_property
    def _kinds_of_work(self) -> list[FloatArray]:
        """Mature bleeds of each kind of work, group by group."""
        order = np.argsort(self.codes, kind="stable")
        ends = np.cumsum(np.bincount(self.codes, minlength=self.groups))
        rows = np.split(order[: ends[-1]], ends[:-1])
        place, size = self.fits.patterns.pattern_index, len(self.fits.patterns.x)
        return [np.bincount(place[own], self.mature[own], size).astype(float) for own in rows]

    @cached_property
    def _own(self) -> _Sums:
        """Each group by the fit that left it out."""
        found = [
            self._sums(counts[:, None], [fold]) for counts, fold in zip(self._kinds_of_work, self.fold_of, strict=True)
        ]
        return _Sums(
            *(np.concatenate(part) for part in zip(*((f.level, f.slope, f.events) for f in found), strict=True))
        )

    def _in_every_fit(self, group: int) -> _Sums:
        folds = range(self.fits.risk.shape[1])
        sums = self._sums(np.repeat(self._kinds_of_work[group][:, None], len(folds), axis=1), folds)
        return _Sums(sums.level, sums.slope, np.full(len(folds), self.observed[group]))

    @cached_property
    def _outside(self) -> _Sums:
        """All that is outside each fold, by the fit without it."""
        counts = self.fits.trials.sum(axis=1, keepdims=True) - self.fits.trials
        sums = self._sums(counts, range(counts.shape[1]))
        came = self.fits.successes.sum(axis=0)
        return _Sums(sums.level, sums.slope, came.sum() - came)

    def _sums(self, counts: FloatArray, folds: Sequence[int]) -> _Sums:
        """What the fits without these folds give these counts of each kind of work, one column a fold."""
        risk = self.fits.risk[:, folds]
        slope = (counts * risk * (1 - risk)).T @ self.fits.patterns.x
        return _Sums((counts * risk).sum(axis=0), slope, np.zeros(counts.shape[1]))

    @cached_property
    def _covariances(self) -> FloatArray:
        """Of the covariates' coefficients in each fit: folds × covariates × covariates."""
        x = np.column_stack([self.fits.patterns.x, np.ones(len(self.fits.patterns.x))])
        ridge = np.diag([*np.full(x.shape[1] - 1, RIDGE), 1e-9])
        weight = (
            (self.fits.trials.sum(axis=1, keepdims=True) - self.fits.trials) * self.fits.risk * (1 - self.fits.risk)
        )
        return np.stack([np.linalg.inv((x.T * w) @ x + ridge)[:-1, :-1] for w in weight.T])


def leave_group_out(data: BleedData, column: str, case_mix: CaseMix, rng: np.random.Generator) -> LeaveGroupOut:
    """Every group of a column, in the order of their names, with the models that leave each out.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    column
        The column whose groups are compared.
    work
        `build_case_mix(prepared.bleeds)`.
    rng
        For the folds of more than 20 groups.
    """
    codes = level_codes(data.bleeds.get_column(column).fill_null(NOT_RECORDED))
    groups = int(codes.max(initial=0)) + 1
    fold_of = rng.permutation(np.arange(groups) % min(groups, MAX_FOLDS))
    mature, back = (data.bleeds.get_column(name).to_numpy() for name in ("mature", "came_back"))
    fits = fit_cross_fitted_risk(case_mix.patterns(), fold_of[codes], mature.astype(float), back.astype(float))
    return LeaveGroupOut(fits, codes, fold_of, mature, back, case_mix.group(data.bleeds, "bike_id"))
