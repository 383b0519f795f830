"""One technician against the others on the same work, against published two-by-two tables.

Sources: Physicians' Health Study, 189 of 11,034 and 104 of 11,037, chi-square 25.0 (A. Agresti 2007, An Introduction to
Categorical Data Analysis, 2nd ed., section 2.2 and 2.4; from memory). Kidney stones, 81 of 87 and 192 of 263 small and
large by open surgery, 234 of 270 and 55 of 80 by the other way (C. R. Charig et al. 1986, Br. Med. J. 292:879-882; from
memory), with statsmodels' Mantel-Haenszel test as the second opinion.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable

from analysis.people.peer_comparison import compare_with_peers
from analysis.rates import CovariatePatterns


def first_p_value(counts: list[list[tuple[int, int]]]) -> float:
    """`counts[who][kind]` are misses and bleeds; the p-value of the first technician."""
    who, kind, missed = [], [], []
    for name, kinds in zip("AB", counts, strict=True):
        for place, (hits, n) in enumerate(kinds):
            who += [name] * n
            kind += [place] * n
            missed += [True] * hits + [False] * (n - hits)
    kinds_seen = len(counts[0])
    x = np.eye(kinds_seen)[:, 1:]
    [matches] = compare_with_peers(pl.Series(who), CovariatePatterns(x, np.array(kind)), [pl.Series(missed)])
    return float(matches.p_value[0])


def test_two_technicians_on_one_kind_of_work_give_pearsons_chi_square():
    z = stats.norm.isf(first_p_value([[(189, 11_034)], [(104, 11_037)]]) / 2)
    assert z**2 == pytest.approx(25.0, abs=0.05)  # as printed


def test_two_kinds_of_work_give_the_mantel_haenszel_test():
    """Its variance has N - 1 where a score test has N, and it has no correction for skewness: together 0.03 of z."""
    mine = [[(6, 87), (71, 263)], [(36, 270), (25, 80)]]  # failures
    tables = [np.array([[a, n - a], [b, m - b]]) for (a, n), (b, m) in zip(*mine, strict=True)]
    theirs = StratifiedTable(tables).test_null_odds(correction=False)
    ours, published = (stats.norm.isf(p / 2) for p in (first_p_value(mine), theirs.pvalue))
    assert ours == pytest.approx(published, abs=0.03)
