"""The figures of a risk model against independent libraries and a published table.

Sources: calibration slope and intercept, statsmodels' GLM; area under the curve, average precision, Brier score and log
loss, scikit-learn; Kaplan-Meier of the next bleed, lifelines; decomposition of the Brier score, the 12,402 forecasts of
precipitation in D. S. Wilks, Statistical Methods in the Atmospheric Sciences (two misplaced decimals of a copy corrected
so that the frequencies add up to 1; the parts were calculated from the table by an independent library, not read in
the book). Tolerances: rounding of two sums in another order; the table's, its own four decimals.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from lifelines import KaplanMeierFitter
from sklearn.metrics import average_precision_score, brier_score_loss, log_loss, roc_auc_score

from analysis.risk import brier_parts, brier_parts_of_bins, calibration_line, evaluation
from analysis.risk.evaluation import auc, average_precision
from analysis.risk.hazard_model import _survival_to_next_bleed
from analysis.risk.outcome import FollowUp

RNG = np.random.default_rng(12)
LOG_ODDS = np.round(RNG.normal(-2, 1, 3000), 2)
RISK = 1 / (1 + np.exp(-LOG_ODDS))
BACK = RNG.random(3000) < 1 / (1 + np.exp(-(0.3 + 0.8 * LOG_ODDS)))


def test_calibration_slope_intercept_and_level_equal_a_generalised_linear_model():
    line = calibration_line(LOG_ODDS, BACK)
    both = sm.GLM(BACK.astype(float), sm.add_constant(LOG_ODDS), family=sm.families.Binomial()).fit()
    level = sm.GLM(BACK.astype(float), np.ones(3000), family=sm.families.Binomial(), offset=LOG_ODDS).fit()
    assert [line.intercept, line.slope] == pytest.approx(both.params, abs=1e-6)
    assert [line.intercept_se, line.slope_se] == pytest.approx(both.bse, abs=1e-6)
    assert [line.in_the_large, line.in_the_large_se] == pytest.approx([level.params[0], level.bse[0]], abs=1e-6)


def test_calibration_limits_clustered_by_bike_equal_a_generalised_linear_models():
    bike = RNG.integers(0, 900, 3000)
    line = calibration_line(LOG_ODDS, BACK, bike)
    groups = {"groups": bike, "use_correction": False}
    both = sm.GLM(BACK.astype(float), sm.add_constant(LOG_ODDS), family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds=groups
    )
    bikes = len(np.unique(bike))
    widened = both.bse * np.sqrt(bikes / (bikes - 1))
    assert [line.intercept_se, line.slope_se] == pytest.approx(widened, rel=1e-6)
    alone = calibration_line(LOG_ODDS, BACK)
    twice = calibration_line(np.repeat(LOG_ODDS, 2), np.repeat(BACK, 2), np.repeat(np.arange(3000), 2))
    assert twice.slope_se == pytest.approx(alone.slope_se, rel=0.1)


def test_auc_and_average_precision_with_ties_equal_scikit_learns():
    assert auc(RISK, BACK).value == pytest.approx(roc_auc_score(BACK, RISK), abs=1e-12)
    assert average_precision(RISK, BACK).value == pytest.approx(average_precision_score(BACK, RISK), abs=1e-12)


@pytest.mark.parametrize(("of", "theirs"), [(auc, roc_auc_score), (average_precision, average_precision_score)])
def test_influence_values_are_the_derivatives_of_scikit_learns_in_the_weights(of, theirs):
    slopes = of(RISK, BACK).influence_values
    assert slopes.sum() == pytest.approx(0, abs=1e-12)
    for row in (0, 7, *np.flatnonzero(BACK)[:3]):
        heavier, lighter = (np.ones(len(RISK)) for _ in range(2))
        heavier[row], lighter[row] = 1 + 1e-4, 1 - 1e-4
        difference = theirs(BACK, RISK, sample_weight=heavier) - theirs(BACK, RISK, sample_weight=lighter)
        assert slopes[row] == pytest.approx(difference / 2e-4, abs=1e-9)


def test_auc_limits_are_delongs_with_one_bleed_per_bike():
    """Placement values written out: E. R. DeLong, D. M. DeLong & D. L. Clarke-Pearson 1988, Biometrics 44:837-845."""
    back, others = RISK[BACK], RISK[~BACK]
    ranked_above = (back[:, None] > others).mean(axis=1) + (back[:, None] == others).mean(axis=1) / 2
    ranked_below = (back[:, None] > others).mean(axis=0) + (back[:, None] == others).mean(axis=0) / 2
    variance = ranked_above.var() / len(back) + ranked_below.var() / len(others)
    lo, hi = auc(RISK, BACK).limits(np.arange(len(RISK)))
    value = ranked_above.mean()
    reach = (np.log(hi / (1 - hi)) - np.log(lo / (1 - lo))) / 2
    assert reach == pytest.approx(1.959964 * np.sqrt(variance) / (value * (1 - value)), rel=1e-6)
    assert lo < value < hi


@pytest.mark.parametrize(("of", "theirs"), [(auc, roc_auc_score), (average_precision, average_precision_score)])
def test_limits_are_as_wide_as_those_of_resampled_bikes(of, theirs):
    rng = np.random.default_rng(5)
    bike = np.repeat(np.arange(1000), 3)
    usual = np.repeat(rng.normal(0, 1.5, 1000), 3)
    back = rng.random(3000) < 1 / (1 + np.exp(1 - LOG_ODDS / 2 - usual))
    sample = []
    for _ in range(400):
        rows = (3 * rng.integers(0, 1000, 1000)[:, None] + np.arange(3)).ravel()
        sample.append(theirs(back[rows], RISK[rows]))
    lo, hi = of(RISK, back).limits(bike)
    assert hi - lo == pytest.approx(2 * 1.96 * np.std(sample), rel=0.12)  # the sd of 400 draws is itself 3.5% uncertain


def test_brier_score_and_log_loss_equal_scikit_learns():
    assert ((RISK - BACK) ** 2).mean() == pytest.approx(brier_score_loss(BACK, RISK), abs=1e-12)
    assert evaluation.log_loss(RISK, BACK).mean() == pytest.approx(log_loss(BACK, RISK), abs=1e-12)


def test_the_decomposition_of_the_precipitation_forecasts():
    forecast = np.array([0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1])
    observed = np.array([0.006, 0.019, 0.059, 0.15, 0.277, 0.377, 0.511, 0.587, 0.723, 0.779, 0.934, 0.933])
    weight = np.array([0.4112, 0.0671, 0.1833, 0.0986, 0.0616, 0.0366, 0.0303, 0.0275, 0.0245, 0.022, 0.017, 0.0203])
    parts = brier_parts_of_bins(forecast, observed, weight)
    assert parts.reliability == pytest.approx(0.0008276, abs=1e-6)
    assert parts.resolution == pytest.approx(0.0627866, abs=1e-6)
    assert parts.uncertainty == pytest.approx(0.1354201, abs=1e-6)
    assert parts.reliability - parts.resolution + parts.uncertainty == pytest.approx(0.0734610, abs=1e-6)


def test_the_parts_add_up_to_the_brier_score_of_risks_equal_within_bins():
    risk = np.repeat([0.05, 0.1, 0.2, 0.4], 250)
    back = RNG.random(1000) < risk
    parts = brier_parts(risk, back, bins=4)
    whole = parts.reliability - parts.resolution + parts.uncertainty
    assert whole == pytest.approx(brier_score_loss(back, risk), abs=1e-12)


def test_survival_to_the_next_bleed_equals_another_librarys_kaplan_meier():
    days = RNG.integers(0, 200, 500)
    end = RNG.integers(0, 3, 500)
    ours = _survival_to_next_bleed(FollowUp(days, end == 1, end == 2, days), 90)
    theirs = KaplanMeierFitter().fit(days, end == 2).survival_function_at_times(np.arange(-1, 90)).to_numpy()
    assert ours == pytest.approx(np.concatenate([[1.0], theirs[1:]]), abs=1e-9)
