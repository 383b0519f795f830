"""Stages of an audit that any process may be asked for, each with all it needs as arguments."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
from pandera.typing.polars import DataFrame
from threadpoolctl import threadpool_limits

from analysis.asked import Asked
from analysis.hands import HERE, Hands
from analysis.intake import Log
from analysis.output import csv_parts
from analysis.people import credibility, technique, with_robustness
from analysis.prepared import Prepared
from analysis.rates import expected_risk, rates, work_of
from analysis.risk import RiskFound, risk_found
from analysis.steps import Ground, tolerance_curves
from analysis.watch import months
from schemas.log import Sessions
from schemas.outputs import Credibility, Months, Rates, Steps, Technique, Tolerance

Lots = tuple[np.random.Generator, np.random.Generator, np.random.Generator]
MANY = 100_000
"""Bleeds; of fewer the rates are told, and pictures got ready for, sooner than others are free for it."""


def one_thread() -> threadpool_limits:
    """While it lasts, the matrix library has one thread: rows are shared out by ourselves (regression/chunks.py)."""
    import scipy.linalg  # noqa: F401  its threads are held only if they are there by then

    return threadpool_limits(limits=1)


def risk_told(
    log: Log, ready: Prepared, cost: float, rng: np.random.Generator, names_hidden: bool, written: bool
) -> tuple[RiskFound, tuple[bytes, ...]]:
    """The risk, and its table as it will be written if it is wanted so; only here is scikit-learn needed. `log` may be
    `without_rows`."""
    import sklearn  # noqa: F401  its threads are held only if they are there by then

    sessions = cast("DataFrame[Sessions]", ready.bleeds.select(log.sessions.columns))
    whole = replace(log, sessions=sessions)
    with one_thread():
        found = risk_found(whole, ready, cost, rng, names_hidden=names_hidden)
    return found, tuple(csv_parts(found.risk)) if written else ()


def rates_told(ready: Prepared, lots: Lots) -> tuple[DataFrame[Rates], DataFrame[Months]]:
    """Groups compared with what the same work would give, and their months; `lots` are those of rates, of the work's
    expected risk, of months."""
    with one_thread():
        work = work_of(ready.bleeds)
        return rates(ready, lots[0], work), months(ready, expected_risk(ready, lots[1], work=work), lots[2])


def rates_asked(hands: Hands, ready: Prepared, lots: Lots) -> Asked[tuple[DataFrame[Rates], DataFrame[Months]]]:
    """The rates to come; of few bleeds told at once."""
    asked = (hands if len(ready.bleeds) >= MANY else HERE).ask(rates_told, ready, lots)
    if len(ready.bleeds) < MANY:
        asked.begin()
    return asked


def technique_told(ready: Prepared, steps: DataFrame[Steps]) -> DataFrame[Technique]:
    """Misses person by person, and what they cost."""
    with one_thread():
        return technique(ready, steps)


def tolerances_told(ground: Ground | None, share: slice) -> DataFrame[Tolerance]:
    """A share of the curves of measured readings."""
    with one_thread():
        return tolerance_curves(ground, share)


def curves_asked(hands: Hands, ground: Ground | None) -> list[Asked[DataFrame[Tolerance]]]:
    """The curves to come, for `in_order`: in two shares where others are asked, so that who wants them can take one."""
    shares = (slice(0, None, 2), slice(1, None, 2)) if hands.beside else (slice(None),)
    return [hands.ask(tolerances_told, ground, share) for share in shares]


def credibility_told(ready: Prepared) -> DataFrame[Credibility]:
    """Whether the log can be believed, and what each flag does to the ranking of steps."""
    with one_thread():
        return with_robustness(ready, credibility(ready))


def without_rows(log: Log) -> Log:
    """The log without its long tables: they are in what was prepared of it, or nobody's concern who tells risks."""
    long = ("sessions", "comebacks", "passes", "links", "set_aside")
    return replace(log, **{name: getattr(log, name).clear() for name in long}, rejected=())
