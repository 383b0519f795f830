"""What a simulated workshop made of last month's list of recalls and second checks."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from synthetic.simulate import SimulatedLog

TRUE_SHARE_FOUND = 0.7
"""Share of faults that a second check finds."""
RECALL_OUTCOMES = {"re_bled": 0.6, "firm": 0.15, "not_reached": 0.15, "elsewhere": 0.1}
RECALL_MINUTES, CHECK_MINUTES = 22.0, 6.0


@dataclass(frozen=True)
class DoneList:
    """The list filled in, and the returns that did not happen because a check found the fault before."""

    actions: pl.DataFrame
    prevented: pl.Series


def fill_in_list(to_do: pl.DataFrame, log: SimulatedLog, day: dt.date, seed: int) -> DoneList:
    """Fill in a list of recalls and second checks on the days after it was made.

    A bleed has a fault if it comes back later in the simulated log; a check finds 7 of 10. Recalls end by chance.

    Parameters
    ----------
    to_do
        The list of an audit, nothing filled in.
    log
        The log with its truth.
    day
        The day of the audit.
    seed
        For chance.
    """
    rng = np.random.default_rng(seed)
    returns = log.truth_bleeds.select("session_id", "return_days")
    rows = to_do.join(returns, on="session_id", how="left", maintain_order="left")
    faulty = rows.get_column("return_days").is_not_null().to_numpy()
    is_recall = (rows.get_column("kind") == "recall").to_numpy()
    caught_fault = ~is_recall & faulty & (rng.random(rows.height) < TRUE_SHARE_FOUND)
    of_recall = rng.choice(list(RECALL_OUTCOMES), size=rows.height, p=list(RECALL_OUTCOMES.values()))
    outcome = np.where(is_recall, of_recall, np.where(caught_fault, "re_bled", "firm"))
    days = rng.integers(1, 6, rows.height)
    who = rng.choice(log.technicians.get_column("technician").to_numpy(), size=rows.height)
    actions = to_do.with_columns(
        done_on=pl.Series([day + dt.timedelta(days=int(n)) for n in days], dtype=pl.Date),
        by=pl.Series(who.tolist(), dtype=pl.String),
        outcome=pl.Series(outcome.tolist(), dtype=pl.String),
        minutes=pl.Series(np.where(is_recall, RECALL_MINUTES, CHECK_MINUTES)),
    )
    caught = rows.filter(pl.Series(caught_fault | (outcome == "re_bled"))).select("bike_id", "brake")
    later = log.comebacks.filter(pl.col("returned_at").dt.date() > day)
    prevented = later.join(caught, on=["bike_id", "brake"], how="semi").get_column("comeback_id")
    return DoneList(actions, prevented)


def leave_out_returns(path: Path, comeback_ids: pl.Series, encoding: str) -> None:
    """Remove the lines of a text export that begin with one of these return numbers."""
    ids = set(comeback_ids)
    lines = path.read_bytes().decode(encoding).splitlines(keepends=True)
    other_lines = [line for line in lines if line.split(";", 1)[0] not in ids]
    path.write_bytes("".join(other_lines).encode(encoding))
