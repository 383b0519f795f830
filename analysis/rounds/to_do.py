"""The list of an audit: brakes to recall and bleeds to check a second time, with empty columns for what came of it."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.report import Report
from analysis.standard import NOT_PLAUSIBLE, RULE_FIELDS
from schemas import empty, validate_table
from schemas.log import Actions

RECENT_DAYS = 31
"""A brake that left longer ago has been ridden for a month; it is still recalled, after those of the last month."""
OBVIOUS = {"leak": "a leak", "not_firm": "a lever that was not firm under a hard pull"}
"""Reasons that need no reading, in words."""
BRAKE = ("bike_id", "brake")
TO_MEASURE = pl.col("rule") == "long_travel"
BEYOND_REACH = TO_MEASURE & (pl.col("action") == NOT_PLAUSIBLE)
"""Recalls that begin with a measurement, which may show that there is nothing to do; a certain reason takes their place."""

SAFETY_CHECKS = {
    "wrong_fluid": "fluid",
    "wrong_kit": "kit",
    "not_firm": "hard pull",
    "leak": "leaks",
    "long_travel": "lever travel",
}
"""What each recall rule looks at, in words."""


def unrecorded_safety_checks(log: Log) -> list[str]:
    """What recall rules look at and a log never records, in words: no recall can follow from it."""
    recorded = {name for fields in RULE_FIELDS.values() for name in fields if log.sessions[name].count()}
    return [what for rule, what in SAFETY_CHECKS.items() if not recorded.issuperset(RULE_FIELDS[rule])]


def open_recalls(report: Report) -> pl.DataFrame:
    """Open recalls, most urgent first: each brake once, under its latest bleed to recall.

    The columns of `report.holds`, with `rule`, `action` and `priority` of the most serious open reason of the brake, whichever
    of its bleeds that is from; bike_id, brake, shop, technician and day of the listed bleed; `older` (than 31 days); `rules`
    and `actions`, every open reason of the brake and what to do about it; `finding`, what was recorded for each of them,
    with the day where it is another. Brakes to measure again come last.
    """
    open_holds = report.holds.filter("open").join(
        _bleed_columns(report), on="session_id", how="left", maintain_order="left"
    )
    open_holds = open_holds.with_columns(older=pl.col("days_since") > RECENT_DAYS, finding=_finding_text())
    certain = (~TO_MEASURE).any().over(BRAKE)
    leading = open_holds.filter(~(TO_MEASURE & certain))
    latest = leading.filter(pl.col("day") == pl.col("day").max().over(BRAKE))
    listed = latest.sort("priority", "session_id").unique(BRAKE, keep="first", maintain_order=True)
    reasons = _all_reasons(open_holds, listed)
    worst = leading.sort("priority", "day", "session_id", descending=[False, True, False])
    worst = worst.unique(BRAKE, keep="first", maintain_order=True).select(*BRAKE, "rule", "action", "priority")
    recalls = listed.drop("finding", "rule", "action", "priority").join(worst, on=BRAKE, maintain_order="left")
    recalls = recalls.join(reasons, on=BRAKE, how="left", maintain_order="left")
    return recalls.sort(TO_MEASURE, "older", "priority", "days_since", "session_id")


def _finding_text() -> pl.Expr:
    """What was recorded, in a mechanic's words: `DOT 5.1 where mineral oil is required`."""
    before_the_bleed = pl.col("required").str.starts_with("up from")
    return (
        pl.when(pl.col("rule").is_in(OBVIOUS))
        .then(pl.col("rule").replace(OBVIOUS))
        .when(BEYOND_REACH)
        .then(pl.format("{}, which cannot be right", "observed"))
        .when(TO_MEASURE)
        .then(
            pl.concat_str("observed", pl.when(before_the_bleed).then(pl.lit(", ")).otherwise(pl.lit("; ")), "required")
        )
        .otherwise(pl.format("{} where {} is required", "observed", "required"))
    )


def _all_reasons(open_holds: pl.DataFrame, worst: pl.DataFrame) -> pl.DataFrame:
    """Every open reason of each brake, the most serious first (bike_id, brake, finding, rules, actions)."""
    listed = open_holds.join(worst.select(*BRAKE, listed_day="day"), on=BRAKE, how="inner")
    elsewhere = pl.col("day") != pl.col("listed_day")
    dated = (
        pl.when(elsewhere)
        .then(pl.format("{} (on {})", "finding", pl.col("day").dt.strftime("%-d %B %Y")))
        .otherwise("finding")
    )
    rows = listed.with_columns(finding=dated).sort("priority", elsewhere, "session_id")
    return rows.group_by(BRAKE, maintain_order=True).agg(
        pl.col("finding").unique(maintain_order=True).str.join(" and "),
        rules=pl.col("rule"),
        actions=pl.col("action"),
    )


def worthwhile_second_checks(report: Report) -> pl.DataFrame:
    """Bleeds on the second-check list that are not recalled anyway, riskiest first; it ends at the break-even risk."""
    checks = report.risk.filter("on_worklist").join(open_recalls(report), on="session_id", how="anti")
    return checks.sort("risk", "session_id", descending=[True, False])


def to_do_list(report: Report) -> DataFrame[Actions]:
    """Open recalls, then the second checks worth doing, each in order of urgency.

    Filled in, it is a table of the next audit's log. The last day of this audit is in each `action_id`, so that lists of
    several audits can be read together.
    """
    recalls = open_recalls(report).with_columns(
        kind=pl.lit("recall"),
        reason=pl.concat_str(_task_text(), pl.lit(": "), "finding", pl.lit(". "), "action"),
    )
    reasons = pl.concat_str("reason_1", "reason_2", "reason_3", separator="; ", ignore_nulls=True)
    checks = (
        worthwhile_second_checks(report)
        .join(_bleed_columns(report), on="session_id", how="left", maintain_order="left")
        .with_columns(kind=pl.lit("second_check"), reason=reasons)
    )
    columns = ("kind", "session_id", "bike_id", "brake", "shop", "technician", "day", "reason")
    rows = pl.concat([recalls.select(*columns, risk=pl.lit(None, pl.Float64)), checks.select(*columns, "risk")])
    action_id = pl.format("{}-{}-{}", "kind", pl.lit(report.as_of.isoformat()), "session_id")
    schema = empty(Actions).schema
    empty_columns = {name: pl.lit(None, dtype=schema[name]) for name in ("done_on", "by", "outcome", "minutes", "note")}
    table = rows.with_columns(action_id=action_id, bled_on="day", **empty_columns).select(list(schema))
    return validate_table(Actions, table)


def _task_text() -> pl.Expr:
    return pl.when(TO_MEASURE).then(pl.lit("Measure again")).otherwise(pl.lit("Recall"))


def _bleed_columns(report: Report) -> pl.DataFrame:
    return report.log.sessions.select(
        "session_id", "bike_id", "brake", "shop", "technician", day=pl.col("started_at").dt.date()
    )
