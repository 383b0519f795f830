"""Effects of missed steps from returns and stand readings together: spike-and-slab posterior by Gibbs sampling.

Model, for early effect β_j of step j:
  β_j = κ δ_j + ε_j        δ_j: effect through the stand readings; κ ≥ 0: how well these predict returns
  ε_j ~ N(0, τ²) or N(0, SLAB_SD²)     effect past the readings: small for most steps (spike), free for some (slab)
  λ_j = ρ_g β_j + N(0, σ²)     late effect; one ρ for air and one for leaks: about 1 (lasting) or anything (changing)
The estimates of β, δ and λ are normal around `shrinkage` times the truth, with their joint sandwich covariance.

Sources: E. I. George & R. E. McCulloch 1993, J. Am. Stat. Assoc. 88:881-889 (spike and slab); A. Gelman 2006, Bayesian
Anal. 1:515-534 (half-normal scales).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.steps.design_matrix import Design
from analysis.steps.evidence import MediatorEvidence, TimeVaryingEffects, mediator_evidence
from analysis.steps.marginal_effects import MarginalEffects, log_hazard_error_draws, prevented_draws, refit_nuisance
from analysis.survival import SurvivalModel

FloatArray = NDArray[np.float64]
CHAINS, BURN_IN = 16, 200
KAPPA_MEAN, KAPPA_SD = 1.5, 2.0
SLAB_SD = 0.6
DELTA_SD = 2.0
SPIKE_SCALE, LATE_SCALE = 0.25, 0.3
LASTING_SD, CHANGING_MEAN, CHANGING_SD = 0.1, 0.5, 0.75
GRID = np.linspace(0.01, 1.0, 60)
"""Grid of the scales τ and σ."""
DRAWS = 4000
WITH_MEDIATOR, RETURNS_ONLY = "by comebacks and stand readings", "by comebacks alone"
PREDICTS_P = 0.05
"""The stand readings are used when they predict returns with a one-sided p below this."""


@dataclass(frozen=True)
class EffectEstimates:
    """Estimates and their covariance, in the order early (steps, then not recorded), mediated (as early), late (steps).

    `group` is 1 for leak steps, else 0; `has_mediator` is false where the readings are no evidence.
    """

    values: FloatArray
    covariance: FloatArray
    early_count: int
    step_count: int
    group: NDArray[np.int64]
    has_mediator: NDArray[np.bool_]
    shrinkage: FloatArray


def draw_early_effects(evidence: EffectEstimates, draws: int, rng: np.random.Generator) -> FloatArray:
    """Draws of the early effects (draws × early effects), steps first, then not recorded."""
    sampler = _GibbsSampler(evidence, rng)
    sweeps = -(-draws // CHAINS)
    samples = np.empty((sweeps, CHAINS, evidence.early_count))
    for i in range(BURN_IN + sweeps):
        sampler.sweep()
        if i >= BURN_IN:
            samples[i - BURN_IN] = sampler.beta
    return samples.reshape(-1, evidence.early_count)[:draws]


class _GibbsSampler:
    """`CHAINS` chains at once; the first axis of every array is the chain."""

    def __init__(self, evidence: EffectEstimates, rng: np.random.Generator) -> None:
        self.evidence, self.rng = evidence, rng
        size = len(evidence.values)
        ridge = 1e-8 * np.trace(evidence.covariance) / size
        weighted = evidence.shrinkage.T @ np.linalg.inv(evidence.covariance + ridge * np.eye(size))
        self.precision, self.scores = weighted @ evidence.shrinkage, weighted @ evidence.values
        early, steps = evidence.early_count, evidence.step_count
        self.beta, self.delta, self.late = (np.zeros((CHAINS, size)) for size in (early, early, steps))
        self.kappa = np.full(CHAINS, KAPPA_MEAN)
        self.slab = np.zeros((CHAINS, early), dtype=bool)
        self.slab_probability = np.full(CHAINS, 0.3)
        self.tau, self.sigma = np.full(CHAINS, 0.1), np.full(CHAINS, 0.1)
        self.groups = int(evidence.group.max(initial=0)) + 1
        self.rho = np.ones((CHAINS, self.groups))

    def sweep(self) -> None:
        self._sample_effects()
        self._sample_kappa()
        self._sample_slab()
        self._sample_tau()
        self._sample_rho()
        self._sample_sigma()

    @property
    def _mediation_coefficient(self) -> FloatArray:
        """κ where the readings apply, else 0."""
        return np.where(self.evidence.has_mediator, self.kappa[:, None], 0.0)

    @property
    def _direct_variance(self) -> FloatArray:
        """Prior variance of ε."""
        free = self.slab | ~self.evidence.has_mediator
        return np.where(free, SLAB_SD**2, self.tau[:, None] ** 2)

    def _sample_effects(self) -> None:
        """β, δ and λ together: normal, given the rest."""
        early, steps = self.evidence.early_count, self.evidence.step_count
        k, v = self._mediation_coefficient, self._direct_variance
        rho = self.rho[:, self.evidence.group[:steps]]
        late_precision = 1 / self.sigma[:, None] ** 2
        precision = np.broadcast_to(self.precision, (CHAINS, *self.precision.shape)).copy()
        i = np.arange(early)
        precision[:, i, i] += 1 / v
        precision[:, i, early + i] -= k / v
        precision[:, early + i, i] -= k / v
        precision[:, early + i, early + i] += k**2 / v + 1 / DELTA_SD**2
        j = np.arange(steps)
        precision[:, j, j] += rho**2 * late_precision
        precision[:, j, 2 * early + j] -= rho * late_precision
        precision[:, 2 * early + j, j] -= rho * late_precision
        precision[:, 2 * early + j, 2 * early + j] += late_precision
        sample = _sample_normals(precision, self.scores, self.rng)
        self.beta, self.delta, self.late = sample[:, :early], sample[:, early : 2 * early], sample[:, 2 * early :]

    def _sample_kappa(self) -> None:
        """κ: normal truncated at 0."""
        from scipy import special

        w = self.evidence.has_mediator / self._direct_variance
        precision = (w * self.delta**2).sum(1) + 1 / KAPPA_SD**2
        mean = ((w * self.delta * self.beta).sum(1) + KAPPA_MEAN / KAPPA_SD**2) / precision
        sd = 1 / np.sqrt(precision)
        lower_tail = special.ndtr(-mean / sd)
        u = lower_tail + (1 - lower_tail) * self.rng.random(CHAINS)
        self.kappa = np.maximum(mean + sd * special.ndtri(np.clip(u, 1e-12, 1 - 1e-12)), 0.0)

    @property
    def _direct_effects(self) -> FloatArray:
        """ε = β − κ δ."""
        return self.beta - self._mediation_coefficient * self.delta

    def _sample_slab(self) -> None:
        """Which ε are in the slab, and the share that are (prior Beta(1, 2))."""
        direct = self._direct_effects
        share, tau = self.slab_probability[:, None], self.tau[:, None]
        log_in = np.log(share) - np.log(SLAB_SD) - 0.5 * (direct / SLAB_SD) ** 2
        log_out = np.log1p(-share) - np.log(tau) - 0.5 * (direct / tau) ** 2
        probability = 1 / (1 + np.exp(np.clip(log_out - log_in, -500, 500)))
        self.slab = self.rng.random(direct.shape) < probability
        has_mediator = self.evidence.has_mediator
        count = (self.slab & has_mediator).sum(1)
        self.slab_probability = np.clip(self.rng.beta(1 + count, 2 + has_mediator.sum() - count), 1e-6, 1 - 1e-6)

    def _sample_tau(self) -> None:
        spikes = ~self.slab & self.evidence.has_mediator
        squares = np.where(spikes, self._direct_effects**2, 0.0).sum(1)
        self.tau = self._sample_scale(spikes.sum(1), squares, SPIKE_SCALE)

    def _sample_rho(self) -> None:
        s = self.evidence.step_count
        for g in range(self.groups):
            in_group = self.evidence.group[:s] == g
            x, y = self.beta[:, :s][:, in_group], self.late[:, in_group]
            precision = (x * x).sum(1) / self.sigma**2
            product = (x * y).sum(1) / self.sigma**2
            self.rho[:, g] = self._sample_ratio(precision, product)

    def _sample_ratio(self, precision: FloatArray, product: FloatArray) -> FloatArray:
        """ρ from an even mixture of the priors "lasting" and "changing", given the data's precision and product."""
        components = []
        for centre, sd in ((1.0, LASTING_SD), (CHANGING_MEAN, CHANGING_SD)):
            total = precision + 1 / sd**2
            mean = (product + centre / sd**2) / total
            weight = -np.log(sd) - 0.5 * np.log(total) + 0.5 * total * mean**2 - 0.5 * centre**2 / sd**2
            components.append((total, mean, weight))
        (t1, m1, w1), (t2, m2, w2) = components
        first = self.rng.random(CHAINS) < 1 / (1 + np.exp(np.clip(w2 - w1, -500, 500)))
        total, mean = np.where(first, t1, t2), np.where(first, m1, m2)
        return mean + self.rng.standard_normal(CHAINS) / np.sqrt(total)

    def _sample_sigma(self) -> None:
        s = self.evidence.step_count
        rho = self.rho[:, self.evidence.group[:s]]
        squares = ((self.late - rho * self.beta[:, :s]) ** 2).sum(1)
        self.sigma = self._sample_scale(np.full(CHAINS, s), squares, LATE_SCALE)

    def _sample_scale(self, number: NDArray[np.int64], squares: FloatArray, scale: float) -> FloatArray:
        """Scale with a half-normal prior on `GRID`, given the number of normals and their sum of squares."""
        log_density = -number[:, None] * np.log(GRID) - 0.5 * squares[:, None] / GRID**2 - 0.5 * (GRID / scale) ** 2
        cumulative = np.exp(log_density - log_density.max(axis=1, keepdims=True)).cumsum(axis=1)
        index = (cumulative < self.rng.random((CHAINS, 1)) * cumulative[:, -1:]).sum(axis=1)
        return GRID[np.minimum(index, len(GRID) - 1)]


def _sample_normals(precisions: FloatArray, scores: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One draw per precision matrix Q from N(Q⁻¹ s, Q⁻¹), by Cholesky."""
    from scipy.linalg import lapack

    sample = rng.standard_normal((len(precisions), len(scores)))
    for row, precision in zip(sample, precisions, strict=True):
        root, failed = lapack.dpotrf(precision, lower=1)
        if failed:
            raise np.linalg.LinAlgError("a precision matrix is not positive definite")
        half = lapack.dtrtrs(root, scores, lower=1)[0]
        row[:] = lapack.dtrtrs(root, half + row, lower=1, trans=1)[0]
    return sample


@dataclass(frozen=True)
class CombinedEstimate:
    """The estimate that ranks the steps: its name, a note that says why it was chosen, and draws.

    `effects`, `prevented` (per 100 bleeds) and `log_hazard_errors` are draws × steps. `cumulative_hazard` is each
    bleed's, up to the window or next bleed, at the effects `reference_effects`; `log_hazard_errors` is the error of the
    log of its sum over the bleeds that missed a step, had they met it.
    """

    name: str
    note: str
    effects: FloatArray = field(repr=False)
    prevented: FloatArray = field(repr=False)
    log_hazard_errors: FloatArray = field(repr=False)
    cumulative_hazard: FloatArray = field(repr=False)
    reference_effects: FloatArray


def first_draws(estimate: CombinedEstimate, draws: int) -> CombinedEstimate:
    """The estimate with its first draws only."""
    names = ("effects", "prevented", "log_hazard_errors")
    return replace(estimate, **{name: getattr(estimate, name)[:draws] for name in names})


def combined_estimate(
    data: BleedData,
    design: Design,
    marginal: MarginalEffects,
    return_model: SurvivalModel,
    time_varying: TimeVaryingEffects,
    rng: np.random.Generator,
) -> CombinedEstimate:
    """Estimate from returns and stand readings where these predict returns, else from returns alone.

    `marginal` is the estimate from returns alone; the return model is over the whole follow-up.
    """
    mediator = mediator_evidence(data, design, return_model)
    if mediator is None:
        return _estimate_from_returns(
            design, marginal, rng, "The step ranking uses comebacks alone: no stand readings are recorded."
        )
    if mediator.p_value > PREDICTS_P:
        note = "The step ranking uses comebacks alone: in this log, the stand readings do not predict them."
        return _estimate_from_returns(design, marginal, rng, note)
    evidence = _collect_evidence(data, design, mediator, time_varying)
    return _estimate_with_mediator(
        data, design, evidence, time_varying.influence[:, : evidence.early_count], marginal.model, rng
    )


def _collect_evidence(
    data: BleedData, design: Design, mediator: MediatorEvidence, time_varying: TimeVaryingEffects
) -> EffectEstimates:
    """Estimates from early returns, stand readings and late returns, with their joint covariance."""
    early = design.step_count + len(design.unrecorded_columns)
    influence = np.hstack([time_varying.influence[:, :early], mediator.influence, time_varying.influence[:, early:]])
    indices = [*range(design.step_count), *design.unrecorded_steps]
    steps = {step.id: step for step in data.standard.steps}
    column_steps = [steps[design.steps[index]] for index in indices]
    return EffectEstimates(
        values=np.concatenate([time_varying.effects[:early], mediator.delta, time_varying.effects[early:]]),
        covariance=influence.T @ influence,
        early_count=early,
        step_count=design.step_count,
        group=np.array([step.acts == "leak" for step in column_steps], dtype=np.int64),
        has_mediator=mediator.applies,
        shrinkage=_shrinkage_matrix(time_varying, early),
    )


def _estimate_with_mediator(
    data: BleedData,
    design: Design,
    evidence: EffectEstimates,
    effect_influence: FloatArray,
    return_model: SurvivalModel,
    rng: np.random.Generator,
) -> CombinedEstimate:
    """Posterior draws of the effects, and of the comebacks prevented."""
    draws = draw_early_effects(evidence, DRAWS, rng)
    refit = refit_nuisance(data, design, draws.mean(axis=0), effect_influence, return_model)
    log_hazard_errors = log_hazard_error_draws(refit, draws, rng)
    prevented = prevented_draws(design, refit, draws, log_hazard_errors)
    return CombinedEstimate(
        WITH_MEDIATOR,
        "The step ranking also uses stand readings, because they predict comebacks.",
        draws[:, : design.step_count],
        prevented,
        log_hazard_errors,
        refit.cumulative_hazard,
        refit.reference_effects[: design.step_count],
    )


def _shrinkage_matrix(time_varying: TimeVaryingEffects, early: int) -> FloatArray:
    """`time_varying.shrinkage` with the mediated effects, which are not shrunk, inserted between early and late."""
    late = time_varying.shrinkage.shape[0] - early
    matrix = np.eye(2 * early + late)
    indices = [*range(early), *range(2 * early, 2 * early + late)]
    matrix[np.ix_(indices, indices)] = time_varying.shrinkage
    return matrix


def _estimate_from_returns(
    design: Design, marginal: MarginalEffects, rng: np.random.Generator, note: str
) -> CombinedEstimate:
    """Normal draws around the estimate from returns alone."""
    steps = design.step_count
    centre = np.concatenate([marginal.model.coefficients[:steps], marginal.prevented, np.zeros(steps)])
    values, vectors = np.linalg.eigh((marginal.covariance + marginal.covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0))
    draws = centre + rng.standard_normal((DRAWS, len(centre))) @ root.T
    hazard = marginal.baseline_hazard * np.exp(marginal.model.linear_predictor(design.x))
    effects, prevented, log_hazard_errors = np.split(draws, [steps, 2 * steps], axis=1)
    return CombinedEstimate(
        RETURNS_ONLY, note, effects, prevented, log_hazard_errors, hazard, marginal.model.coefficients[:steps]
    )
