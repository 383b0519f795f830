"""Who leaves misses blank is told from who forgets the sheet, who is careful, and who finds some steps not worth a tick."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analysis.people.selective_recording import selective_findings
from tests.people.logs import steps_of

BLEEDS = 200
SHARES = (6, 10, 14, 18, 22, 26, 30, 34, 38, 42)
"""Misses of each of ten steps among peers' bleeds, some more and some less from one to the next."""
PEERS = {
    f"peer {i}": [(round(share * level * twist), 6) for share, twist in zip(SHARES, twists, strict=True)]
    for i, (level, twists) in enumerate(
        zip(
            (0.7, 0.85, 1.0, 1.1, 1.25, 1.4),
            np.random.default_rng(5).uniform(0.8, 1.25, (6, len(SHARES))),
            strict=True,
        )
    )
}


def p_of(wren: list[tuple[int, int]]) -> float:
    (matches,) = [
        one for one in selective_findings(*steps_of({**PEERS, "Wren": wren}, BLEEDS)) if one.technician == "Wren"
    ]
    return matches.p_value


@pytest.mark.parametrize(
    ("wren", "matches"),
    [
        ([(s // 5, 6 + 4 * s // 5) for s in SHARES], True),
        ([(s, 6) for s in SHARES], False),
        ([(s, 40) for s in SHARES], False),
        ([(s // 5, 6) for s in SHARES], False),
        ([(s // 5, 40) for s in SHARES], False),
        ([(s, 6 + 4 * s // 5) for s in SHARES], False),
        ([(s // 5, 150 if n in (1, 8) else 6) for n, s in enumerate(SHARES)], False),
    ],
    ids=[
        "four misses in five left blank",
        "like peers",
        "forgets a fifth of everything",
        "careful, and writes all down",
        "careful, and forgets a fifth of everything",
        "blanks along the misses, but as many misses written as peers",
        "careful, and finds two steps not worth a tick",
    ],
)
def test_blanks_are_held_against_nobody_unless_they_stand_for_misses(
    wren: list[tuple[int, int]], matches: bool
) -> None:
    assert (p_of(wren) < 1e-4) is matches


def test_the_statistic_is_about_the_share_of_misses_left_blank() -> None:
    wren = [(s // 5, 6 + 4 * s // 5) for s in SHARES]
    findings = selective_findings(*steps_of({**PEERS, "Wren": wren}, BLEEDS))
    assert next(one.statistic for one in findings if one.technician == "Wren") == pytest.approx(0.8, abs=0.15)


def test_the_bleeds_to_look_at_are_those_with_the_most_blanks() -> None:
    wren = [(s // 5, 6 + 4 * s // 5) for s in SHARES]
    findings = selective_findings(*steps_of({**PEERS, "Wren": wren}, BLEEDS))
    visible = next(one.examples for one in findings if one.technician == "Wren")
    assert set(visible) <= {f"Wren-{n:03}" for n in range(BLEEDS - 10, BLEEDS)}
    assert len(visible) == 3


def test_without_four_people_or_five_steps_nobody_is_judged() -> None:
    assert selective_findings(*steps_of({name: PEERS[name] for name in list(PEERS)[:3]}, BLEEDS)) == []
    assert selective_findings(*steps_of({name: steps[:4] for name, steps in PEERS.items()}, BLEEDS)) == []


def test_two_p_values_are_combined_as_fisher_does() -> None:
    """scipy's combine_pvalues is the second opinion."""
    from analysis.people.selective_recording import _fisher_combination

    assert _fisher_combination(0.01, 0.002) == pytest.approx(stats.combine_pvalues([0.01, 0.002]).pvalue, rel=1e-9)
    assert _fisher_combination(1e-9, 0.2) == 0.2


def test_under_honest_writing_the_p_values_are_not_too_small() -> None:
    """400 honest people of their own care, who forget at rates of their own for each step."""
    rng = np.random.default_rng(17)
    small = 0
    for _ in range(40):
        counts = {}
        for person in range(10):
            care, forgets = rng.lognormal(0, 0.4), rng.uniform(0.01, 0.2)
            steps = []
            for share in SHARES:
                blanks = int(rng.binomial(BLEEDS, np.clip(forgets * rng.lognormal(0, 0.5), 0, 0.5)))
                chance = min(share / BLEEDS * care * rng.lognormal(0, 0.3), 0.9)
                steps.append((int(rng.binomial(BLEEDS - blanks, chance)), blanks))
            counts[f"person {person}"] = steps
        small += sum(one.p_value <= 0.01 for one in selective_findings(*steps_of(counts, BLEEDS)))
    assert small <= stats.binom.ppf(0.999, 400, 0.01)
