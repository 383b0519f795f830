"""Aalen–Johansen with heavy ties against a published data set.

Source: L. Scrucca, A. Santucci & F. Aversa 2007, Bone Marrow Transplant. 40:381-387, 35 patients, relapse (1) and
transplant death (2); expected values by R's cmprsk as kept in the tests of scikit-survival, limits by that library
(Aalen's variance). statsmodels' cumulative incidence is the second opinion.
"""

import numpy as np
import pytest
from statsmodels.duration.survfunc import CumIncidenceRight

from analysis.survival import aalen_johansen, incidence_limits

BMT = (
    "0,13,2;0,1,1;0,72,0;0,7,2;0,8,2;1,67,0;0,9,2;0,5,2;1,70,0;1,4,0;1,7,0;1,68,0;0,1,2;1,10,2;1,7,2;1,3,1;1,4,1;"
    "1,4,1;1,3,1;1,3,1;0,22,2;1,8,1;1,2,2;0,0,2;0,0,1;0,35,0;1,35,0;0,4,2;0,14,2;0,26,2;0,3,2;1,2,0;1,8,0;1,32,0;0,12,1"
)
DISEASE, DAYS, END = np.array([row.split(",") for row in BMT.split(";")], dtype=np.int64).T
RELAPSE = {
    0: 0.02857143, 1: 0.05714286, 2: 0.05714286, 3: 0.14581281, 4: 0.20492611, 5: 0.20492611, 7: 0.20492611,
    8: 0.23771164, 9: 0.23771164, 10: 0.23771164, 12: 0.27283899, 72: 0.27283899,
}  # fmt: skip
DEATH = {
    0: 0.02857143, 1: 0.05714286, 2: 0.08571429, 3: 0.11527094, 4: 0.14482759, 5: 0.17579170, 7: 0.23771992,
    8: 0.27050544, 9: 0.30563279, 10: 0.34076015, 12: 0.34076015, 13: 0.37588750, 14: 0.41101485, 22: 0.44614220,
    26: 0.48126955, 72: 0.48126955,
}  # fmt: skip


@pytest.fixture
def curve():
    return aalen_johansen(DAYS, END)


@pytest.fixture
def of_death():
    return aalen_johansen(DAYS, np.where(END == 0, 0, 3 - END))


@pytest.mark.parametrize(("day", "expected"), RELAPSE.items())
def test_the_incidence_of_relapse_is_as_published(curve, day, expected):
    assert curve.incidence[curve.index_at(day)] == pytest.approx(expected, abs=1e-7)  # eight printed decimals


@pytest.mark.parametrize(("day", "expected"), DEATH.items())
def test_the_incidence_of_death_is_as_published(of_death, day, expected):
    assert of_death.incidence[of_death.index_at(day)] == pytest.approx(expected, abs=1e-7)


def test_both_incidences_and_survival_add_up_to_one_on_every_day(curve, of_death):
    assert curve.incidence + of_death.incidence + curve.survival == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize(
    ("disease", "end", "expected"),
    [
        (0, 1, [0.17647059] * 3),
        (0, 2, [0.58823529, 0.70588235, 0.70588235]),
        (1, 1, [0.36818576] * 3),
        (1, 2, [0.20570747] * 3),
    ],
)
def test_the_incidence_by_disease_is_as_published(disease, end, expected):
    own = disease == DISEASE
    codes = END[own] if end == 1 else np.where(END[own] == 0, 0, 3 - END[own])
    curve = aalen_johansen(DAYS[own], codes)
    assert [curve.incidence[curve.index_at(day)] for day in (20, 40, 60)] == pytest.approx(expected, abs=1e-7)


def test_the_log_log_limits_at_fourteen_agree_with_an_independent_library(curve, of_death):
    for own, limits in ((curve, (0.13313612, 0.43314517)), (of_death, (0.2367625, 0.57768667))):
        place = own.index_at(14)
        both = incidence_limits(own.incidence[place : place + 1], own.variance[place : place + 1])
        assert (both.lo[0], both.hi[0]) == pytest.approx(limits, abs=5e-8)


def test_censoring_the_competing_event_overstates_the_incidence(curve):
    assert curve.one_minus_kaplan_meier[-1] == pytest.approx(0.32966392, abs=1e-8)
    assert curve.incidence[-1] == pytest.approx(0.27283899, abs=5e-9)


def test_the_incidence_agrees_with_statsmodels(curve):
    theirs = CumIncidenceRight(DAYS.astype(float), END)
    ours = [curve.incidence[curve.index_at(day)] for day in theirs.times]
    assert ours == pytest.approx(theirs.cinc[0], abs=1e-12)


def cmprsk_variance(days, end, day):
    """The recursion of R's cmprsk (R. J. Gray 1988, Ann. Stat. 16:1141-1154), written down from memory."""
    free, risk, v1, v2, v3 = 1.0, 0.0, 0.0, 0.0, 0.0
    for now in np.unique(days[days <= day]):
        at_risk = (days >= now).sum()
        own, other = (((days == now) & (end == cause)).sum() for cause in (1, 2))
        after = free * (at_risk - own - other) / at_risk
        risk += free * own / at_risk
        for count, added in ((other, 0), (own, 1)):
            if count and (after > 0 or added):
                spread = free**2 * (1 - (count - 1) / max(at_risk - 1, 1)) * count / at_risk**2
                t3 = 1 / after if after > 0 else 0.0
                t4 = added + t3 * risk
                v1, v2, v3 = v1 + t4**2 * spread, v2 + t3 * t4 * spread, v3 + t3**2 * spread
        free = after
    return v1 + risk**2 * v3 - 2 * risk * v2


@pytest.mark.parametrize(("cause", "expected"), [(1, 0.00633784), (2, 0.0081798)])
def test_the_variance_is_close_to_that_of_another_formula(cause, expected):
    """An independent library (comprisk) prints cmprsk's variance, which ours need only be near: the two formulas differ
    where several end on one day (by 1% here), while a slip in either would show as far more."""
    codes = END if cause == 1 else np.where(END == 0, 0, 3 - END)
    curve = aalen_johansen(DAYS, codes)
    assert cmprsk_variance(DAYS, codes, 20) == pytest.approx(expected, abs=5e-8)
    assert curve.variance[curve.index_at(20)] == pytest.approx(expected, rel=0.015)


def test_the_variance_is_a_little_above_the_delta_methods(curve):
    theirs = CumIncidenceRight(DAYS.astype(float), END)
    delta = np.asarray(theirs.cinc_se[0])[[list(theirs.times).index(day) for day in (5, 10, 14)]] ** 2
    ours = np.array([curve.variance[curve.index_at(day)] for day in (5, 10, 14)])
    assert (ours > delta).all()  # n − 1 in place of n
    assert ours == pytest.approx(delta, rel=1.5 / 20)  # about one in the number at risk, 20 to 35 here
