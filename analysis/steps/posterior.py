"""Layer 2: early effects from returns and from the stand together, drawn from their joint posterior.

beta_j = kappa · delta_j + epsilon_j: what the stand says of a step, times how far signs foretell returns, plus what
passes the signs by; epsilon is small for most steps and free for some (a spike and a slab). late_j = rho · beta_j plus
noise, one rho for each way a miss does harm. Observed early, stand's and late effects are normal around the truth with
their full sandwich covariance. Gibbs sampling, every step in closed form or on a grid.

Sources: E. I. George & R. E. McCulloch 1993, J. Am. Stat. Assoc. 88:881-889 (spike and slab); A. Gelman 2006, Bayesian
Anal. 1:515-534 (half-normal scales).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
CHAINS, BURN = 16, 200
KAPPA_MEAN, KAPPA_SD = 1.5, 2.0
SLAB_SD = 0.6
DELTA_SD = 2.0
SPIKE_SCALE, LATE_SCALE = 0.25, 0.3
STAY_SD, MOVE_MEAN, MOVE_SD = 0.1, 0.5, 0.75
GRID = np.linspace(0.01, 1.0, 60)


@dataclass(frozen=True)
class Evidence:
    """Effects as observed and their covariance, in the order early (steps, then not recorded), stand, late (steps).

    `early` columns and `stand` columns are as many; `late` are the steps alone. `group` numbers how each early column
    does harm; `has_mediator` is false where the stand has no say. The observed are expected at `shrinkage` times the truth.
    """

    values: FloatArray
    covariance: FloatArray
    early: int
    steps: int
    group: NDArray[np.int64]
    has_mediator: NDArray[np.bool_]
    shrinkage: FloatArray


def posterior_draws(evidence: Evidence, draws: int, rng: np.random.Generator) -> FloatArray:
    """Draws of the early effects, one row a draw, steps first, then not recorded.

    Parameters
    ----------
    evidence
        What returns and the stand say.
    draws
        At least this many rows.
    rng
        For the sampling.
    """
    state = _Chains(evidence, rng)
    each = -(-draws // CHAINS)
    stored = np.empty((each, CHAINS, evidence.early))
    for turn in range(BURN + each):
        state.gibbs_sweep()
        if turn >= BURN:
            stored[turn - BURN] = state.beta
    return stored.reshape(-1, evidence.early)[:draws]


class _Chains:
    """Several chains side by side; each array's first axis is the chain."""

    def __init__(self, evidence: Evidence, rng: np.random.Generator) -> None:
        self.evidence, self.rng = evidence, rng
        size = len(evidence.values)
        ridge = 1e-8 * np.trace(evidence.covariance) / size
        whole = evidence.shrinkage.T @ np.linalg.inv(evidence.covariance + ridge * np.eye(size))
        self.precision, self.scores = whole @ evidence.shrinkage, whole @ evidence.values
        e, s = evidence.early, evidence.steps
        self.beta, self.delta, self.late = np.zeros((CHAINS, e)), np.zeros((CHAINS, e)), np.zeros((CHAINS, s))
        self.kappa = np.full(CHAINS, KAPPA_MEAN)
        self.slab = np.zeros((CHAINS, e), dtype=bool)
        self.share = np.full(CHAINS, 0.3)
        self.tau, self.sigma = np.full(CHAINS, 0.1), np.full(CHAINS, 0.1)
        self.groups = int(evidence.group.max(initial=0)) + 1
        self.rho = np.ones((CHAINS, self.groups))

    def gibbs_sweep(self) -> None:
        self._effects()
        self._kappa()
        self._slab()
        self._tau()
        self._rho()
        self._sigma()

    @property
    def _k(self) -> FloatArray:
        return np.where(self.evidence.has_mediator, self.kappa[:, None], 0.0)

    @property
    def _spread(self) -> FloatArray:
        free = self.slab | ~self.evidence.has_mediator
        return np.where(free, SLAB_SD**2, self.tau[:, None] ** 2)

    def _effects(self) -> None:
        e, s = self.evidence.early, self.evidence.steps
        k, v = self._k, self._spread
        rho = self.rho[:, self.evidence.group[:s]]
        late_precision = 1 / self.sigma[:, None] ** 2
        q = np.broadcast_to(self.precision, (CHAINS, *self.precision.shape)).copy()
        at = np.arange(e)
        q[:, at, at] += 1 / v
        q[:, at, e + at] -= k / v
        q[:, e + at, at] -= k / v
        q[:, e + at, e + at] += k**2 / v + 1 / DELTA_SD**2
        on = np.arange(s)
        q[:, on, on] += rho**2 * late_precision
        q[:, on, 2 * e + on] -= rho * late_precision
        q[:, 2 * e + on, on] -= rho * late_precision
        q[:, 2 * e + on, 2 * e + on] += late_precision
        sample = _normals(q, self.scores, self.rng)
        self.beta, self.delta, self.late = sample[:, :e], sample[:, e : 2 * e], sample[:, 2 * e :]

    def _kappa(self) -> None:
        from scipy import special

        w = self.evidence.has_mediator / self._spread
        precision = (w * self.delta**2).sum(1) + 1 / KAPPA_SD**2
        mean = ((w * self.delta * self.beta).sum(1) + KAPPA_MEAN / KAPPA_SD**2) / precision
        sd = 1 / np.sqrt(precision)
        lower_tail = special.ndtr(-mean / sd)
        u = lower_tail + (1 - lower_tail) * self.rng.random(CHAINS)
        self.kappa = np.maximum(mean + sd * special.ndtri(np.clip(u, 1e-12, 1 - 1e-12)), 0.0)

    @property
    def _epsilon(self) -> FloatArray:
        return self.beta - self._k * self.delta

    def _slab(self) -> None:
        eps = self._epsilon
        log_in = np.log(self.share)[:, None] - np.log(SLAB_SD) - 0.5 * (eps / SLAB_SD) ** 2
        log_out = np.log1p(-self.share)[:, None] - np.log(self.tau)[:, None] - 0.5 * (eps / self.tau[:, None]) ** 2
        chance = 1 / (1 + np.exp(np.clip(log_out - log_in, -500, 500)))
        self.slab = self.rng.random(eps.shape) < chance
        lends = self.evidence.has_mediator
        inside = (self.slab & lends).sum(1)
        self.share = np.clip(self.rng.beta(1 + inside, 2 + lends.sum() - inside), 1e-6, 1 - 1e-6)

    def _tau(self) -> None:
        spikes = ~self.slab & self.evidence.has_mediator
        squares = np.where(spikes, self._epsilon**2, 0.0).sum(1)
        self.tau = self._on_grid(spikes.sum(1), squares, SPIKE_SCALE)

    def _rho(self) -> None:
        s = self.evidence.steps
        for g in range(self.groups):
            in_group = self.evidence.group[:s] == g
            x, y = self.beta[:, :s][:, in_group], self.late[:, in_group]
            precision = (x * x).sum(1) / self.sigma**2
            product = (x * y).sum(1) / self.sigma**2
            self.rho[:, g] = self._mixed(precision, product)

    def _mixed(self, precision: FloatArray, product: FloatArray) -> FloatArray:
        """rho from an even mixture of 'effects last' and 'effects may change', given the data's precision and product."""
        parts = []
        for centre, sd in ((1.0, STAY_SD), (MOVE_MEAN, MOVE_SD)):
            total = precision + 1 / sd**2
            mean = (product + centre / sd**2) / total
            weight = -np.log(sd) - 0.5 * np.log(total) + 0.5 * total * mean**2 - 0.5 * centre**2 / sd**2
            parts.append((total, mean, weight))
        (t1, m1, w1), (t2, m2, w2) = parts
        first = self.rng.random(CHAINS) < 1 / (1 + np.exp(np.clip(w2 - w1, -500, 500)))
        total, mean = np.where(first, t1, t2), np.where(first, m1, m2)
        return mean + self.rng.standard_normal(CHAINS) / np.sqrt(total)

    def _sigma(self) -> None:
        s = self.evidence.steps
        rho = self.rho[:, self.evidence.group[:s]]
        squares = ((self.late - rho * self.beta[:, :s]) ** 2).sum(1)
        self.sigma = self._on_grid(np.full(CHAINS, s), squares, LATE_SCALE)

    def _on_grid(self, number: NDArray[np.int64], squares: FloatArray, scale: float) -> FloatArray:
        """A scale with a half-normal prior, given how many normals it spreads and their sum of squares."""
        log = -number[:, None] * np.log(GRID) - 0.5 * squares[:, None] / GRID**2 - 0.5 * (GRID / scale) ** 2
        weight = np.exp(log - log.max(axis=1, keepdims=True)).cumsum(axis=1)
        place = (weight < self.rng.random((CHAINS, 1)) * weight[:, -1:]).sum(axis=1)
        return GRID[np.minimum(place, len(GRID) - 1)]


def _normals(precisions: FloatArray, scores: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A draw from each normal of that precision and mean precision⁻¹ `scores`, one row a precision."""
    from scipy.linalg import lapack

    sample = rng.standard_normal((len(precisions), len(scores)))
    for row, precision in zip(sample, precisions, strict=True):
        root, failed = lapack.dpotrf(precision, lower=1)
        if failed:
            raise np.linalg.LinAlgError("a precision is not positive definite")
        half = lapack.dtrtrs(root, scores, lower=1)[0]
        row[:] = lapack.dtrtrs(root, half + row, lower=1, trans=1)[0]
    return sample
