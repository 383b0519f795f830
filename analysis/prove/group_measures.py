"""Outcomes of workshops with few groups, gaps in recording or changing calendars."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.dataset import BleedData
from analysis.monitoring import monthly_rates
from analysis.prove.scenarios import CALENDARS, FEW_GROUPS, GAPS, ONE_OF_FIVE, ONE_OF_THREE
from analysis.rates import expected_risk, rates
from synthetic import Workshop

FEW_SIGNALLED = "few equal groups: any gets a signal"
FEW_HELD = "few equal groups: the ratio's interval includes 1"
ONE_FOUND = "one of five technicians at twice the hazard: found"
ONE_MISTAKEN = "one of five technicians at twice the hazard: another gets a signal"
SHOP_MISTAKEN = "one of three shops at 1.7 times the hazard: another gets a signal"
GAP_JUDGED = "a shop's returns not recorded for half the time: any shop gets a signal"
GAP_ASKED = "a shop's returns not recorded for half the time: the gap is queried"
CALENDAR_CHANGE = "season, growth, months that differ: a change is named"
CALENDAR_SIGNAL = "season, growth, months that differ: any signal"


@dataclass(frozen=True)
class Fact:
    """Whether the outcome that a measure counts happened in one workshop."""

    measure: str
    true: bool


def group_facts(name: str, workshop: Workshop, data: BleedData, rng: np.random.Generator) -> list[Fact]:
    """Outcomes of one workshop of `GROUP_FAMILIES`."""
    if name in CALENDARS:
        months = monthly_rates(data, expected_risk(data, rng), rng)
        signal = months.get_column("signal").is_in(["high", "low"]).any()
        return [
            Fact(CALENDAR_CHANGE, bool(months.get_column("change_began").any())),
            Fact(CALENDAR_SIGNAL, bool(signal)),
        ]
    kind = FEW_GROUPS.get(name) or ("technician" if name == ONE_OF_FIVE else "shop")
    table = rates(data, rng).filter(pl.col("kind") == kind)
    signals = dict(table.filter(pl.col("signal").is_in(["high", "low"])).select("group", "signal").iter_rows())
    if name in FEW_GROUPS:
        covered = table.select((pl.col("ratio_lo") <= 1) & (pl.col("ratio_hi") >= 1)).to_series().drop_nulls()
        return [Fact(FEW_SIGNALLED, bool(signals)), *(Fact(FEW_HELD, one) for one in covered)]
    if name in GAPS:
        shop = workshop.returns_written[0].shop
        return [Fact(GAP_JUDGED, bool(signals)), Fact(GAP_ASKED, shop in data.in_question)]
    if name == ONE_OF_THREE:
        return [Fact(SHOP_MISTAKEN, bool(signals.keys() - {workshop.changes[0].shop}))]
    worse = max(workshop.habits, key=lambda habit: habit.skill or 0.0).technician
    return [Fact(ONE_FOUND, signals.get(worse) == "high"), Fact(ONE_MISTAKEN, bool(signals.keys() - {worse}))]
