"""Words as numbers, against numpy's own distinct values."""

import numpy as np
import polars as pl

from analysis.regression import level_codes


def test_each_word_is_told_by_its_place_among_the_distinct_ones():
    words = np.random.default_rng(1).choice(["Kestrel", "Juniper", "Ännika", "", "juniper"], 500)
    assert level_codes(pl.Series(words)).tolist() == np.unique(words, return_inverse=True)[1].tolist()


def test_an_empty_cell_is_a_word_of_its_own():
    assert level_codes(pl.Series(["b", None, "a", "b"])).tolist() == [2, 0, 1, 2]


def test_no_words_no_numbers():
    assert level_codes(pl.Series([], dtype=pl.String)).tolist() == []
