"""Monitoring over time: monthly rates with control limits, risk-adjusted CUSUM, and the month of a change."""

from analysis.monitoring.control_charts import (
    change_point,
    cusum,
    log_likelihood_ratios,
    p_chart_limits,
)
from analysis.monitoring.early_signs import early_signs
from analysis.monitoring.monthly import changed_step, mark_measures, monthly_counts, monthly_rates
from analysis.monitoring.null_model import variance_between_months
