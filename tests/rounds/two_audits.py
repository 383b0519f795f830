"""Two audits of a simulated workshop a month apart, with changes planted between them.

`python -m tests.rounds.two_audits 0 100` prints a row for each seed, then what they add up to.
"""

from __future__ import annotations

import datetime as dt
import re
import sys
from dataclasses import dataclass, replace

import polars as pl

from analysis.audit import AuditSettings, run_stages
from analysis.dataset import bleed_data
from analysis.intake import Log
from analysis.report import Clock, Report
from analysis.risk import load_model
from analysis.rounds import EarlierAudit, to_do_list
from analysis.standard import built_in
from analysis.stats import exact_binomial_limits
from analysis.survival import WHOLE_LOG
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made

BLEEDS, MONTH = 1600, dt.timedelta(days=31)
STATISTICAL = ("signal_appeared", "change_named", "step_verdict")
NEWCOMER = "Newt"


@dataclass(frozen=True)
class Planted:
    """Two logs a month apart; `changed`, `dropped`, `late` and `new` count what was planted between them."""

    before: Log
    now: Log


def up_to(log: Log, day: dt.date) -> Log:
    """The log as it was on that day."""
    sessions = log.sessions.filter(pl.col("started_at").dt.date() <= day)
    comebacks = log.comebacks.filter(pl.col("returned_at").dt.date() <= day)
    links = log.links.join(comebacks.select("comeback_id"), on="comeback_id", how="semi")
    return replace(log, sessions=sessions, comebacks=comebacks, links=links, as_of=day)


def audit(log: Log, since: EarlierAudit | None = None) -> Report:
    return run_stages(log, built_in(), AuditSettings(since=since), Clock())


def earlier_of(report: Report) -> EarlierAudit:
    """A report as `read_earlier` gives it, without a folder."""
    tables = {name: getattr(report, name) for name in ("rates", "months", "steps", "holds", "risk", "predictions")}
    model = None if report.model_bytes is None else load_model(report.model_bytes, "memory")
    return EarlierAudit("memory", report.log, report.window_days, False, report.look, tables, model)


def quiet(scenario: str, seed: int, bleeds: int = BLEEDS) -> tuple[Report, Report]:
    """Two audits of a workshop in which nothing changes."""
    whole = log_of_made(simulate(scenario_workshop(scenario, bleeds), seed))
    first = audit(up_to(whole, whole.as_of - MONTH))
    return first, audit(whole, earlier_of(first))


def false_changes(report: Report) -> list[str]:
    """Changes that are claimed where nothing changed: records, groups, confirmed signals, change points and verdicts."""
    changes = report.changes.filter(pl.col("confirmed").fill_null(True))
    kinds = (*STATISTICAL, "group_new", "group_gone", "records_missing", "records_changed", "recall_closed")
    claimed = changes.filter(
        pl.col("kind").is_in(kinds), pl.col("kind").ne("step_verdict") | pl.col("confirmed").is_not_null()
    )
    closed = claimed.filter(pl.col("kind") != "recall_closed")
    rows = [f"{kind} {subject}" for kind, subject in closed.select("kind", "subject").iter_rows()]
    signals = report.predictions.filter(pl.col("signal").is_in(["high", "low"]))
    return rows + [f"predictions {signal}" for signal in signals.get_column("signal")]


def late_bleeds(first: Report) -> list[str]:
    """Five bleeds, old enough and without a comeback, whose return is recorded late."""
    old = first.data.bleeds.filter("mature", ~pl.col("came_back"), pl.col("age_days") >= 200)
    return old.sort("session_id").get_column("session_id")[20:25].to_list()


def with_planted_changes(whole: Log, first: Report) -> Log:
    """The later log with the first audit's recalls acted on, records edited, late returns and a new technician."""
    sessions, day = whole.sessions, first.as_of
    old = sessions.filter(pl.col("started_at").dt.date() <= day - dt.timedelta(days=200)).get_column("session_id")
    sound = old.filter(~old.is_in(first.holds.get_column("session_id").implode()))
    edited, dropped = old[:7].to_list(), sound[-2:].to_list()
    late = late_bleeds(first)
    is_new = pl.col("started_at").dt.date() > day
    last = sessions.filter(is_new).sort("session_id").get_column("session_id")
    sessions = sessions.filter(~pl.col("session_id").is_in(dropped)).with_columns(
        minutes=pl.when(pl.col("session_id").is_in(edited)).then(77.0).otherwise("minutes"),
        technician=pl.when(pl.col("session_id").is_in(last[-5:].to_list()))
        .then(pl.lit(NEWCOMER))
        .otherwise("technician"),
        hard_pull_firm=pl.col("hard_pull_firm") & (pl.col("session_id") != last[-6]),
    )
    bled = sessions.filter(pl.col("session_id").is_in(late)).select("session_id", "bike_id", "brake", "started_at")
    template = whole.comebacks.head(bled.height)
    added = template.with_columns(
        comeback_id=pl.format("LATE{}", pl.int_range(pl.len())),
        session_id=bled.get_column("session_id"),
        bike_id=bled.get_column("bike_id"),
        brake=bled.get_column("brake"),
        returned_at=bled.get_column("started_at").dt.offset_by("20d"),
        complaint=pl.lit("soft_lever"),
        finding=pl.lit("air"),
    )
    links = added.select("comeback_id", "session_id", days=pl.lit(20, pl.Int64))
    to_do = to_do_list(first).filter(pl.col("kind") == "recall")
    done = to_do.with_columns(done_on=pl.lit(day + dt.timedelta(days=2)), outcome=pl.lit("re_bled"), by=pl.lit("Wren"))
    return replace(
        whole,
        sessions=sessions.sort("session_id"),
        comebacks=pl.concat([whole.comebacks, added]).sort("comeback_id"),
        links=pl.concat([whole.links.filter(~pl.col("session_id").is_in(dropped).fill_null(False)), links]).sort(
            "comeback_id"
        ),
        actions=done.sort("action_id"),
    )


def missed_changes(first: Report, report: Report) -> list[str]:
    """Planted changes that the second audit does not report as they are."""
    counts = dict(report.changes.group_by("kind").agg(pl.col("now").fill_null(1.0).sum()).iter_rows())
    recalled = to_do_list(first).filter(pl.col("kind") == "recall").height
    closed = report.changes.filter(pl.col("kind") == "recall_closed", pl.col("state_now") == "re_bled").height
    same = report.changes.filter(pl.col("kind") == "same_bleeds").get_column("note")[0]
    new = report.changes.filter(pl.col("kind") == "group_new").get_column("subject").to_list()
    checks = {
        "7 records changed": counts.get("records_changed") == 7,
        "2 bleeds missing": report.changes.filter(
            pl.col("kind") == "records_missing", pl.col("subject_kind") == "sessions"
        )
        .get_column("now")
        .sum()
        == 2,
        "late returns": int(re.findall(r"added since: (\d+)", same)[0]) >= 5,
        "newcomer": NEWCOMER in new,
        "recalls closed": closed >= recalled,
        "recall opened": "recall_opened" in counts,
    }
    return [name for name, reported in checks.items() if not reported]


def main(first_seed: int, last_seed: int) -> None:
    """Print one row per seed, and the shares at the end."""
    invented, missed, ratios, inside, tenths, expected, observed = 0, 0, 0, 0, [0, 0], 0.0, 0
    for number, seed in enumerate(range(first_seed, last_seed), 1):
        scenario = ("equal people", "base")[seed % 2]
        whole = log_of_made(simulate(scenario_workshop(scenario, BLEEDS), seed))
        one = audit(up_to(whole, whole.as_of - MONTH))
        other = audit(whole, earlier_of(one))
        claims = [c for c in false_changes(other) if scenario != "base" or not c.startswith(("signal", "step"))]
        planted = with_planted_changes(whole, one)
        gone = missed_changes(one, compared(other, planted, one))
        this = other.predictions.filter(pl.col("round") == 1)
        total = this.filter(pl.col("group") == "all").row(0, named=True)
        by_tenth = this.filter(pl.col("group").str.starts_with("tenth"))
        covered = by_tenth.filter((pl.col("ratio_lo") <= 1) & (pl.col("ratio_hi") >= 1)).height
        tenths = [tenths[0] + covered, tenths[1] + by_tenth.height]
        invented, missed, ratios = invented + bool(claims), missed + bool(gone), ratios + 1
        inside += total["ratio_lo"] <= 1 <= total["ratio_hi"]
        expected, observed = expected + total["expected"], observed + total["observed"]
        print(
            seed,
            scenario,
            claims,
            gone,
            f"{total['expected']:.2f}",
            total["observed"],
            covered,
            by_tenth.height,
            flush=True,
        )
        limits = [
            exact_binomial_limits(x, n)
            for x, n in ((invented, number), (inside, ratios), (tenths[0], max(tenths[1], 1)))
        ]
        spans = [f"{float(one.lo):.3f}-{float(one.hi):.3f}" for one in limits]
        print(
            f"  {number} seeds: false {invented} ({spans[0]}), planted missed {missed}, overall covered {inside} ({spans[1]}), "
            f"tenths covered {tenths[0]}/{tenths[1]} ({spans[2]}), expected {expected:.1f}, observed {observed}",
            flush=True,
        )


def compared(report: Report, planted: Log, first: Report) -> Report:
    """The second audit with the planted log in place of the quiet one: only records, follow-up and recalls differ."""
    from analysis.rounds import compare_with_earlier_audit
    from analysis.standard import holds

    data = bleed_data(planted, report.standard, report.window_days)
    changed = replace(report, log=planted, data=data, holds=holds(planted, report.standard))
    return compare_with_earlier_audit(changed, earlier_of(first), WHOLE_LOG)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
