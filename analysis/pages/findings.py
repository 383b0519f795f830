"""What was found, one sentence a question, each with its figure, interval and denominator."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.pages import words
from analysis.report import Report

RECENT_DAYS = 31
"""A brake that left longer ago has been ridden for a month: still called back, but after those of this month."""
HOLD_WORDS = {
    "wrong_fluid": "with the wrong fluid",
    "kit_of_other_kind": "bled with a kit of the other family",
    "not_firm": "released with a lever not firm",
    "leak": "released with a leak seen",
}
KIND_WORDS = {
    "shop": "workshop",
    "technician": "technician",
    "brake_model": "brake model",
    "fluid": "fluid",
    "job_reason": "reason for the job",
    "brake": "brake",
    "hose_route": "hose run",
}
LEAST_FOR_A_NAME = 30


def findings(report: Report) -> tuple[str, ...]:
    """The five sentences that open the index and end a run on the terminal."""
    return (
        holds_sentence(report),
        rate_sentence(report),
        change_sentence(report),
        difference_sentence(report),
        step_sentence(report),
    )


def rate_sentence(report: Report) -> str:
    """How many come back, with interval and denominator."""
    row = report.rates.filter(pl.col("kind") == "all").row(0, named=True)
    if not row["mature"]:
        return f"No bleed has been followed for {report.window_days} days yet: too few to tell how many come back."
    rate = words.share(row["rate"], row["rate_lo"], row["rate_hi"])
    young = row["sessions"] - row["mature"]
    text = (
        f"{rate} of the {words.count(row['mature'], 'bleed')} followed for {report.window_days} days came back "
        f"({words.count(row['comebacks'], 'comeback')})."
    )
    if row["incidence"] is not None and young:
        all_bleeds = words.share(row["incidence"], row["incidence_lo"], row["incidence_hi"])
        text += (
            f" With the {words.count(young, 'younger bleed')} counted for as long as they were followed: {all_bleeds}."
        )
    return text


def holds_sentence(report: Report) -> str:
    """How many bleeds must be called back now."""
    still = report.holds.filter("open")
    bleeds = still.n_unique("session_id")
    if not bleeds:
        return "No bleed in the log breaks a hold rule and still stands: nothing to call back."
    kinds = still.group_by("rule").len().sort("len", "rule", descending=[True, False])
    told = [f"{n} {HOLD_WORDS[rule]}" for rule, n in kinds.iter_rows()]
    verb = "is" if bleeds == 1 else "are"
    twice = still.height - bleeds
    also = f" ({words.count(twice, 'bleed')} for more than one reason)" if twice else ""
    recent = still.filter(pl.col("days_since") <= RECENT_DAYS).n_unique("session_id")
    begin = f" Begin with the {recent} of the last {RECENT_DAYS} days." if 0 < recent < bleeds else ""
    return f"{words.count(bleeds, 'bleed')} {verb} to be called back now: {words.listed(told)}{also}.{begin}"


def change_sentence(report: Report) -> str:
    """Since when it changed, group by group; or that no change is told."""
    if not report.months.get_column("centre").count():
        return "Better or worse is too few to tell yet: the monthly rates are shown without limits."
    began = _own_changes(report.months.filter("change_began"))
    if began.is_empty():
        return _without_a_beginning(report.months.filter(pl.col("signal").is_in(["high", "low"])))
    return f"Changed beyond chance: {'; '.join(_change(report, row) for row in began.iter_rows(named=True))}."


def _without_a_beginning(signalled: pl.DataFrame) -> str:
    """No change is named; months that signal all the same are, so that no triangle stands unexplained."""
    if signalled.is_empty():
        return "No change beyond chance: no month and no run of months departs from what the same work would give."
    told = [
        f"{'all workshops together' if kind == 'all' else group} "
        f"({words.listed(own.sort('month').get_column('month').to_list())})"
        for (kind, group), own in signalled.group_by("kind", "group", maintain_order=True)
    ]
    return (
        f"No change that can be dated: {words.listed(told)} stood out, yet no month from which on it was another rate is beyond "
        "chance."
    )


def _own_changes(began: pl.DataFrame) -> pl.DataFrame:
    """The changes without that of all workshops together where one workshop's, of the same step and time, explains it."""
    shops, all_of_them = began.filter(pl.col("kind") != "all"), began.filter(pl.col("kind") == "all")
    same = [
        shops.filter(
            pl.col("step_moved").eq_missing(step), (_number(pl.col("month")) - _number(pl.lit(month))).abs() <= 1
        )
        for month, step in all_of_them.select("month", "step_moved").iter_rows()
    ]
    explained = [own.height > 0 for own in same]
    return pl.concat([all_of_them.filter(~pl.Series(explained, dtype=pl.Boolean)), shops])


def _number(month: pl.Expr) -> pl.Expr:
    """Months since the year 0."""
    return month.str.slice(0, 4).cast(pl.Int64) * 12 + month.str.slice(5, 2).cast(pl.Int64)


def _change(report: Report, row: dict[str, Any]) -> str:
    own = report.months.filter(pl.col("kind") == row["kind"], pl.col("group") == row["group"])
    parts = (own.filter(pl.col("month") < row["month"]), own.filter(pl.col("month") >= row["month"]))
    told = [_part(int(part["comebacks"].sum()), int(part["mature"].sum())) for part in parts]
    name = "all workshops together" if row["kind"] == "all" else row["group"]
    why = _moved(report, row) if row["step_moved"] else ""
    return f"{name} from {row['month']}, {told[0]} came back before, {told[1]} since{why}"


def _part(back: int, bleeds: int) -> str:
    return words.sample(back, bleeds) if bleeds else "none followed yet"


def _moved(report: Report, row: dict[str, Any]) -> str:
    """Which step moved with the change, and which way."""
    titles = {step.id: step.title for step in report.standard.steps}
    missed = report.ready.missed.get_column(row["step_moved"])
    table = report.ready.bleeds.select("month", "shop").with_columns(missed=missed)
    own = table if row["kind"] == "all" else table.filter(pl.col("shop").fill_null("not recorded") == row["group"])
    parts = (own.filter(pl.col("month") < row["month"]), own.filter(pl.col("month") >= row["month"]))
    known = [part.get_column("missed").drop_nulls() for part in parts]
    before, after = (float(one.sum()) / len(one) if len(one) else None for one in known)
    if before is None or after is None or before == after:
        return ""
    way = "more" if after > before else "less"
    title = titles.get(row["step_moved"], row["step_moved"])
    told = [words.sample(int(one.sum()), len(one)) for one in known]
    return f", when “{title}” began to be missed {way} often: {told[0]} before, {told[1]} since"


def difference_sentence(report: Report) -> str:
    """Which workshop or technician differs beyond chance, and whom not to blame."""
    if report.too_few:
        return (
            f"With {words.count(report.comebacks, 'comeback')} in all, differences between groups are too few to tell."
        )
    if not report.rates.get_column("expected").count():
        return (
            "Groups are shown with their raw rates and intervals; what the same work would give is not compared here."
        )
    told = [_difference(row) for row in signals(report, ("shop", "technician")).iter_rows(named=True)]
    text = (
        f"{'; '.join(told)}." if told else "No workshop or technician differs from the same work by more than chance."
    )
    return text + _not_to_blame(report)


def signals(report: Report, kinds: tuple[str, ...]) -> pl.DataFrame:
    """Groups of these kinds with a signal, in the order of the kinds."""
    found = report.rates.filter(pl.col("signal").is_in(["high", "low"]), pl.col("kind").is_in(kinds))
    order = {kind: place for place, kind in enumerate(kinds)}
    return found.sort(pl.col("kind").replace_strict(order, default=None, return_dtype=pl.Int64), "group")


def _difference(row: dict[str, Any]) -> str:
    side = "more" if row["signal"] == "high" else "fewer"
    ratio = words.amount(row["ratio"], row["ratio_lo"], row["ratio_hi"])
    return (
        f"{row['group']} has {side} comebacks than the same work explains: {row['comebacks']} of "
        f"{words.count(row['mature'], 'bleed')}, {ratio} times as many as expected"
    )


def _not_to_blame(report: Report) -> str:
    people = report.rates.filter(
        pl.col("kind") == "technician", pl.col("mature") >= LEAST_FOR_A_NAME, pl.col("expected").is_not_null()
    ).sort("rate", "group", descending=[True, False])
    if people.is_empty() or people.row(0, named=True)["signal"] == "high":
        return ""
    worst = people.row(0, named=True)
    text = (
        f" {worst['group']} has the highest raw rate ({worst['rate']:.1%} of {words.count(worst['mature'], 'bleed')})"
    )
    held = f"{worst['comebacks']} came back where the same work gives {worst['expected']:.0f}"
    if worst["comebacks"] <= worst["expected"]:
        return f"{text} and is not to be blamed for it: {held}."
    ratio = words.amount(worst["ratio"], worst["ratio_lo"], worst["ratio_hi"])
    return f"{text}: {held}, {ratio} times as many; its work and chance can explain it."


def step_sentence(report: Report) -> str:
    """The steps that cost comebacks, or the most often missed ones where there is too little to tell."""
    called = report.steps.filter(pl.col("verdict") == "costs_comebacks").sort("rank")
    if called.height:
        told = [f"“{row['title']}” {_spared(row)}" for row in called.head(3).iter_rows(named=True)]
        return f"Comebacks spared per 100 bleeds if never missed again: {words.listed(told)}."
    most = report.steps.filter(pl.col("share_missed").is_not_null()).sort("share_missed", descending=True).head(3)
    often = [f"“{t}” ({words.sample(m, n)})" for t, m, n in most.select("title", "missed", "recorded").iter_rows()]
    ranked = bool(report.steps.get_column("preventable_per_100").count())
    lead = "No missed step is called costly." if ranked else "Which missed step costs comebacks is too few to tell yet."
    return f"{lead} Most often missed: {words.listed(often)}."


def _spared(row: dict[str, Any]) -> str:
    return words.amount(row["preventable_per_100"], row["lo"], row["hi"])


def cost_sentence(report: Report) -> str:
    """What comebacks cost a year."""
    if report.costs.is_empty():
        return "What comebacks cost is too few to tell yet."
    row, all_rates = report.costs.row(0, named=True), report.rates.filter(pl.col("kind") == "all").row(0, named=True)
    lo, hi = (all_rates[name] * report.bleeds_per_year for name in ("rate_lo", "rate_hi"))
    return (
        f"About {words.amount(row['comebacks_per_year'], lo, hi)} comebacks a year in "
        f"{words.count(round(report.bleeds_per_year), 'bleed')} take {row['minutes_per_year'] / 60:,.0f} bench hours and "
        f"{row['parts_per_year']:,.0f} {report.standard.currency} of parts."
    )


def names_written_in_several_ways(report: Report) -> tuple[str, ...]:
    """Technicians who may be one person: every figure on people would be another."""
    groups = sum("count as different people" in said for said in report.log.warnings)
    if not groups:
        return ()
    who = "1 technician's name is" if groups == 1 else f"{groups} technicians' names are"
    return (f"{who} written in several ways, each counted as a person of its own: see the end of any page.",)
