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

Numbers = NDArray[np.float64]
CHAINS, BURN = 16, 200
KAPPA_MEAN, KAPPA_SD = 1.5, 2.0
SLAB_SD = 0.6
DELTA_SD = 2.0
SPIKE_SCALE, LATE_SCALE = 0.25, 0.3
STAY_SD, MOVE_MEAN, MOVE_SD = 0.1, 0.5, 0.75
GRID = np.linspace(0.01, 1.0, 60)


@dataclass(frozen=True)
class Observed:
    """Effects as observed and their covariance, in the order early (steps, then not recorded), stand, late (steps).

    `early` columns and `stand` columns are as many; `late` are the steps alone. `group` numbers how each early column
    does harm; `lends` is false where the stand has no say. The observed are expected at `shown` times the truth.
    """

    values: Numbers
    covariance: Numbers
    early: int
    steps: int
    group: NDArray[np.int64]
    lends: NDArray[np.bool_]
    shown: Numbers


def posterior_draws(observed: Observed, draws: int, rng: np.random.Generator) -> Numbers:
    """Draws of the early effects, one row a draw, steps first, then not recorded.

    Parameters
    ----------
    observed
        What returns and the stand say.
    draws
        At least this many rows.
    rng
        For the sampling.
    """
    state = _Chains(observed, rng)
    each = -(-draws // CHAINS)
    kept = np.empty((each, CHAINS, observed.early))
    for turn in range(BURN + each):
        state.move()
        if turn >= BURN:
            kept[turn - BURN] = state.beta
    return kept.reshape(-1, observed.early)[:draws]


class _Chains:
    """Several chains side by side; each array's first axis is the chain."""

    def __init__(self, observed: Observed, rng: np.random.Generator) -> None:
        self.seen, self.rng = observed, rng
        size = len(observed.values)
        ridge = 1e-8 * np.trace(observed.covariance) / size
        whole = observed.shown.T @ np.linalg.inv(observed.covariance + ridge * np.eye(size))
        self.precision, self.told = whole @ observed.shown, whole @ observed.values
        e, s = observed.early, observed.steps
        self.beta, self.delta, self.late = np.zeros((CHAINS, e)), np.zeros((CHAINS, e)), np.zeros((CHAINS, s))
        self.kappa = np.full(CHAINS, KAPPA_MEAN)
        self.slab = np.zeros((CHAINS, e), dtype=bool)
        self.share = np.full(CHAINS, 0.3)
        self.tau, self.sigma = np.full(CHAINS, 0.1), np.full(CHAINS, 0.1)
        self.groups = int(observed.group.max(initial=0)) + 1
        self.rho = np.ones((CHAINS, self.groups))

    def move(self) -> None:
        self._effects()
        self._kappa()
        self._slab()
        self._tau()
        self._rho()
        self._sigma()

    @property
    def _k(self) -> Numbers:
        return np.where(self.seen.lends, self.kappa[:, None], 0.0)

    @property
    def _spread(self) -> Numbers:
        free = self.slab | ~self.seen.lends
        return np.where(free, SLAB_SD**2, self.tau[:, None] ** 2)

    def _effects(self) -> None:
        e, s = self.seen.early, self.seen.steps
        k, v = self._k, self._spread
        rho = self.rho[:, self.seen.group[:s]]
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
        drawn = _normals(q, self.told, self.rng)
        self.beta, self.delta, self.late = drawn[:, :e], drawn[:, e : 2 * e], drawn[:, 2 * e :]

    def _kappa(self) -> None:
        from scipy import special

        w = self.seen.lends / self._spread
        precision = (w * self.delta**2).sum(1) + 1 / KAPPA_SD**2
        mean = ((w * self.delta * self.beta).sum(1) + KAPPA_MEAN / KAPPA_SD**2) / precision
        sd = 1 / np.sqrt(precision)
        below = special.ndtr(-mean / sd)
        u = below + (1 - below) * self.rng.random(CHAINS)
        self.kappa = np.maximum(mean + sd * special.ndtri(np.clip(u, 1e-12, 1 - 1e-12)), 0.0)

    @property
    def _epsilon(self) -> Numbers:
        return self.beta - self._k * self.delta

    def _slab(self) -> None:
        eps = self._epsilon
        log_in = np.log(self.share)[:, None] - np.log(SLAB_SD) - 0.5 * (eps / SLAB_SD) ** 2
        log_out = np.log1p(-self.share)[:, None] - np.log(self.tau)[:, None] - 0.5 * (eps / self.tau[:, None]) ** 2
        chance = 1 / (1 + np.exp(np.clip(log_out - log_in, -500, 500)))
        self.slab = self.rng.random(eps.shape) < chance
        lends = self.seen.lends
        inside = (self.slab & lends).sum(1)
        self.share = np.clip(self.rng.beta(1 + inside, 2 + lends.sum() - inside), 1e-6, 1 - 1e-6)

    def _tau(self) -> None:
        spikes = ~self.slab & self.seen.lends
        squares = np.where(spikes, self._epsilon**2, 0.0).sum(1)
        self.tau = self._on_grid(spikes.sum(1), squares, SPIKE_SCALE)

    def _rho(self) -> None:
        s = self.seen.steps
        for g in range(self.groups):
            mine = self.seen.group[:s] == g
            x, y = self.beta[:, :s][:, mine], self.late[:, mine]
            precision = (x * x).sum(1) / self.sigma**2
            product = (x * y).sum(1) / self.sigma**2
            self.rho[:, g] = self._mixed(precision, product)

    def _mixed(self, precision: Numbers, product: Numbers) -> Numbers:
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
        s = self.seen.steps
        rho = self.rho[:, self.seen.group[:s]]
        squares = ((self.late - rho * self.beta[:, :s]) ** 2).sum(1)
        self.sigma = self._on_grid(np.full(CHAINS, s), squares, LATE_SCALE)

    def _on_grid(self, number: NDArray[np.int64], squares: Numbers, scale: float) -> Numbers:
        """A scale with a half-normal prior, given how many normals it spreads and their sum of squares."""
        log = -number[:, None] * np.log(GRID) - 0.5 * squares[:, None] / GRID**2 - 0.5 * (GRID / scale) ** 2
        weight = np.exp(log - log.max(axis=1, keepdims=True)).cumsum(axis=1)
        place = (weight < self.rng.random((CHAINS, 1)) * weight[:, -1:]).sum(axis=1)
        return GRID[np.minimum(place, len(GRID) - 1)]


def _normals(precisions: Numbers, told: Numbers, rng: np.random.Generator) -> Numbers:
    """A draw from each normal of that precision and mean precision⁻¹ `told`, one row a precision."""
    from scipy.linalg import lapack

    drawn = rng.standard_normal((len(precisions), len(told)))
    for row, precision in zip(drawn, precisions, strict=True):
        root, failed = lapack.dpotrf(precision, lower=1)
        if failed:
            raise np.linalg.LinAlgError("a precision is not positive definite")
        half = lapack.dtrtrs(root, told, lower=1)[0]
        row[:] = lapack.dtrtrs(root, half + row, lower=1, trans=1)[0]
    return drawn
