"""The glossary against the methods: a term means on the pages what is calculated."""

from pathlib import Path

import analysis
from analysis.pages.labels import GLOSSARY

TERMS = dict(GLOSSARY)
METHODS = (Path(analysis.__file__).parent / "METHODS.md").read_text("utf-8")


def test_a_cusum_is_a_log_likelihood_ratio_that_starts_again_at_0() -> None:
    assert "log-likelihood ratio" in TERMS["CUSUM"]
    assert "observed minus expected" not in TERMS["CUSUM"]


def test_expected_is_what_the_others_would_have_done() -> None:
    assert "the other technicians or workshops" in TERMS["expected"]


def test_intervals_of_steps_are_credible_intervals() -> None:
    assert "credible interval" in TERMS["95% interval"]


def test_the_unrecorded_cause_has_its_textbook_name() -> None:
    assert "unmeasured confounder" in TERMS["unrecorded cause"]


def test_a_shape_is_no_proof_of_a_cause() -> None:
    assert TERMS["Weibull shape"].count("often") == 2


def test_methods_and_pages_use_one_word_for_the_verdict() -> None:
    assert "costs comebacks" not in METHODS
    assert '"leads to comebacks" (`costs_comebacks`)' in METHODS


def test_the_posterior_probability_is_named_where_it_is_described() -> None:
    (paragraph,) = (line for line in METHODS.splitlines() if line.startswith("**p, q, verdict, rank**"))
    assert "posterior probability" in paragraph
    assert "not a frequentist p-value" in paragraph
