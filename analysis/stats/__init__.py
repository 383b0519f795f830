"""Textbook statistics, each with its source."""

from analysis.stats.categories import MAX_LEVELS, frequent_codes, level_codes, sum_by_level
from analysis.stats.cluster_robust import (
    cluster_design_effect,
    clustered_covariance,
    clustered_standard_error,
    sum_within_clusters,
)
from analysis.stats.distributions import (
    beta_quantile,
    binomial_tail,
    chi_square_tail,
    conditional_mid_p,
    gamma_quantile,
    hypergeometric_mid_p,
    normal_tail,
    poisson_mid_p,
    poisson_tail,
    student_quantile,
    student_tail,
)
from analysis.stats.intervals import (
    Z95,
    Interval,
    byar_limits,
    exact_binomial_limits,
    exact_poisson_limits,
    ratio_limits,
    share_difference,
    wilson,
)
from analysis.stats.joint import equal_values_p_value
from analysis.stats.learning_cusum import Dispersion, LearningLimits, learning_limits, log_likelihood_steps, reset_cusum
from analysis.stats.linear_algebra import symmetric_inverse, weighted_gram
from analysis.stats.logistic import CrossFitted, cross_fitted_logistic, expit, out_of_fold_log_odds, ridge_logistic
from analysis.stats.multiple_testing import benjamini_hochberg, holm
from analysis.stats.random_effects import between_variance, spread_posterior
from analysis.stats.rank_correlation import kendall_tau
from analysis.stats.robustness import (
    benchmark_r2,
    calibrated_p_value,
    omitted_variable_bias,
    partial_r2,
    robustness_value,
    systematic_error,
)
from analysis.stats.sampling import FIT_LIMIT, fit_sample
from analysis.stats.spending import evenly_spent_alpha, spending_bounds, spent_alpha

__all__ = [
    "FIT_LIMIT",
    "MAX_LEVELS",
    "Z95",
    "CrossFitted",
    "Dispersion",
    "Interval",
    "LearningLimits",
    "benchmark_r2",
    "benjamini_hochberg",
    "beta_quantile",
    "between_variance",
    "binomial_tail",
    "byar_limits",
    "calibrated_p_value",
    "chi_square_tail",
    "cluster_design_effect",
    "clustered_covariance",
    "clustered_standard_error",
    "conditional_mid_p",
    "cross_fitted_logistic",
    "equal_values_p_value",
    "evenly_spent_alpha",
    "exact_binomial_limits",
    "exact_poisson_limits",
    "expit",
    "fit_sample",
    "frequent_codes",
    "gamma_quantile",
    "holm",
    "hypergeometric_mid_p",
    "kendall_tau",
    "learning_limits",
    "level_codes",
    "log_likelihood_steps",
    "normal_tail",
    "omitted_variable_bias",
    "out_of_fold_log_odds",
    "partial_r2",
    "poisson_mid_p",
    "poisson_tail",
    "ratio_limits",
    "reset_cusum",
    "ridge_logistic",
    "robustness_value",
    "share_difference",
    "spending_bounds",
    "spent_alpha",
    "spread_posterior",
    "student_quantile",
    "student_tail",
    "sum_by_level",
    "sum_within_clusters",
    "symmetric_inverse",
    "systematic_error",
    "weighted_gram",
    "wilson",
]
