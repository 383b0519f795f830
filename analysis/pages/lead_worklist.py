"""Bleeds to check a second time today, and what second checks catch and save."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from analysis.charts import second_check_curve, worklist_dots
from analysis.dataset import MIN_COMEBACKS
from analysis.pages.question import Finding, Question, chart_specs, page_table
from analysis.pages.text import interval, join_words, percent, percent_range, quantity
from analysis.report import Report
from analysis.rounds import open_recalls, worthwhile_second_checks
from analysis.standard import SecondCheck, built_in
from schemas.outputs import SHARE_FOUND, SHARE_USED

REMINDER = "Every bleed ends with a hard pull; a low risk is not a pass."
COLUMNS = {
    "session_id": "job", "bike_id": "bike", "brake": "front/rear", "technician": "bled by", "shop": "workshop", "day": "bled on",
    "risk": "risk %", "risk_lo": "95% low %", "risk_hi": "95% high %", "reason_1": "main reason", "reason_2": "second",
    "reason_3": "third",
}  # fmt: skip
ROWS_LISTED = 3


def no_risk_finding(report: Report) -> Finding:
    """Why no risk is given: too few comebacks, or no later bleeds to test a model on."""
    comebacks = quantity(report.comebacks, "comeback")
    if report.small_sample:
        return Finding(f"No risk estimates: the log has {comebacks}, and a risk model needs at least {MIN_COMEBACKS}.")
    return Finding(
        "No risk estimates: no model could be tested on later bleeds.",
        f"{comebacks} in the log are matched to a bleed.",
    )


def worklist_question(report: Report) -> Question:
    """The bleeds to check a second time now, with their risk and what it is based on."""
    question = "Which bleeds deserve a second check today?"
    if report.risk.is_empty():
        action = f"Without a list, follow your procedure when choosing what to check. {REMINDER}"
        return Question("worklist", question, no_risk_finding(report), action=action)
    listed = _worklist_with_bleeds(report)
    return Question(
        id="worklist",
        question=question,
        answer=_worklist_finding(report, listed),
        points=tuple(_bleed_text(row) for row in listed.head(ROWS_LISTED).iter_rows(named=True)),
        figures=_recalled_on_list_note(report),
        action=_action(report, listed),
        fold_charts=True,
        charts=chart_specs(worklist_dots(listed, _overall_rate(report))) if listed.height else (),
        table=page_table(listed, "Second checks, highest risk first", COLUMNS, "tables/risk.csv"),
        method=(
            "The most recent bleeds in order of their risk of a comeback, as many as the procedure allows time for, and only down "
            f"to the risk at which a check saves more bench time than it costs ({_check_minutes_text(report.standard.second_check)}). "
            "That counts minutes, not the rider's safety. Bleeds on the recall list are left out. Each "
            "interval reflects the model's uncertainty only. The reasons are what the risk is based on, not proven causes; “no reason found” does not "
            "mean the bleed is sound. The reference for lever travel comes from the brakes table, otherwise from the shortest fifth of "
            "firm levers of that model; a recall compares with the median of its firm levers, which is longer. The analyst's page says how accurate the risks are."
        ),
    )


def _action(report: Report, listed: pl.DataFrame) -> str:
    if listed.is_empty():
        return REMINDER
    first = "Check these" if open_recalls(report).is_empty() else "After the recalls, check these"
    return f"{first} from the top. {REMINDER}"


def _worklist_with_bleeds(report: Report) -> pl.DataFrame:
    bleeds = report.log.sessions.select(
        "session_id", "bike_id", "brake", "shop", "technician", pl.col("started_at").dt.date().alias("day")
    )
    return worthwhile_second_checks(report).join(bleeds, on="session_id", how="left", maintain_order="left")


def _worklist_finding(report: Report, listed: pl.DataFrame) -> Finding:
    check, recent = report.standard.second_check, _count_recent_bleeds(report)
    days = quantity(check.worklist_days, "day")
    pays = f"a check pays for itself above a risk of {percent(report.break_even_risk)}"
    if listed.is_empty() and not recent:
        return Finding(
            "Nothing to check today.",
            f"The log has no bleed from the last {days} up to {report.as_of}; older bleeds are in the table.",
        )
    if listed.is_empty():
        return Finding(
            "Nothing to check today.",
            f"{quantity(recent, 'bleed')} in the last {days}. Checking them would cost more bench time than it saves ({pays}); "
            "safety is not counted here. Bleeds to recall are not on this list.",
        )
    allowed = f"{check.per_week:g} checks a week{_default_note(report)}"
    if report.risk.get_column("on_worklist").sum() < min(recent, int(check.per_week * check.worklist_days / 7)):
        return Finding(
            f"{quantity(listed.height, 'bleed')} to check today. Checking the others would cost more bench time than it saves; "
            "safety is not counted here.",
            f"Of {quantity(recent, 'bleed')} in the last {days} up to {report.as_of}; {pays}.{_remainder_text(listed)}",
        )
    return Finding(
        f"{quantity(listed.height, 'bleed')} to check, the riskiest of the last {days}.",
        f"Up to {report.as_of}; {allowed}.{_remainder_text(listed)}",
    )


def _count_recent_bleeds(report: Report) -> int:
    """How many bleeds of the days of the list have neither come back nor been bled again."""
    first = report.as_of - dt.timedelta(days=report.standard.second_check.worklist_days - 1)
    bleeds = report.data.bleeds.select(day=pl.col("started_at").dt.date(), out=pl.col("end") == "as_of")
    return bleeds.filter("out", pl.col("day") >= first).height


def _check_minutes_text(check: SecondCheck) -> str:
    """`6 minutes, plus 5 to get the bike back in`."""
    back = f", plus {check.recall_minutes:g} to get the bike back in" if check.recall_minutes else ""
    return f"{check.minutes:g} minutes{back}"


def _default_note(report: Report) -> str:
    return " (built-in default)" if report.standard.second_check == built_in().second_check else ""


def _remainder_text(listed: pl.DataFrame) -> str:
    more = listed.height - ROWS_LISTED
    return f" The other {more} are in the table." if more > 0 else ""


def _bleed_text(row: dict[str, Any]) -> str:
    risk = (
        percent(row["risk"])
        if row["risk_lo"] is None
        else f"{percent(row['risk'])} ({percent_range(row['risk_lo'], row['risk_hi'])})"
    )
    return (
        f"{row['bike_id']}, {row['brake']} (job {row['session_id']}, {row['technician']}): risk {risk}; "
        f"{row['reason_1'] or 'no reason found'}."
    )


def _recalled_on_list_note(report: Report) -> tuple[str, ...]:
    """Bleeds with as high a risk that are recalled anyway."""
    jobs = report.risk.filter("on_worklist").join(open_recalls(report), on="session_id", how="semi")
    names = jobs.get_column("session_id").sort().to_list()
    return (
        (f"Also at high risk, but already on the list to recall or measure again: {join_words(names)}.",)
        if names
        else ()
    )


def _overall_rate(report: Report) -> float | None:
    rate: float | None = report.rates.filter(pl.col("kind") == "all").get_column("rate")[0]
    return rate


def second_check_question(report: Report) -> Question:
    """What checking a share of the bleeds a second time catches, and whether it pays."""
    question, table = "What do second checks catch and save?", report.second_checks.sort("share")
    if table.is_empty():
        too_few = Finding("Too few comebacks to say what second checks save.")
        return Question("second-checks", question, no_risk_finding(report) if report.risk.is_empty() else too_few)
    check = report.standard.second_check
    affordable = _affordable_row(table, check.per_week)
    best = table.filter(pl.col("minutes_saved") > 0).sort("minutes_saved", descending=True).head(1)
    points = [
        f"The most bench time is saved by checking {_saving_text(row)}. More checks may still stop a bike going out with a bad brake."
        for row in best.iter_rows(named=True)
    ] or [
        "Checking a fixed share of all bleeds costs more bench time than it saves; a single bleed with a risk above "
        f"{percent(report.break_even_risk)} is worth it, and any check may stop a bike going out with a bad brake."
    ]
    figures = [] if affordable["minutes_saved"] is None else [f"In the time you have: {_saving_text(affordable)}."]
    return Question(
        id="second-checks",
        question=question,
        answer=_catch_finding(affordable, check, _default_note(report)),
        points=tuple(points),
        figures=tuple(figures),
        action="Choose the number of checks by what they save; each extra check catches less.",
        hint="Set the slider to the number of checks you can do a week.",
        charts=chart_specs(second_check_curve(table, check.per_week)),
        table=page_table(
            table,
            "Results by share of bleeds checked",
            {
                "share": "checked %", "checks_per_week": "checks a week", "threshold": "risk threshold %",
                "caught_per_100_comebacks": "comebacks covered, per 100", "precision": "checked bleeds that come back (precision) %",
                "net_benefit": "net benefit per bleed", "minutes_saved": "bench minutes saved a year",
            },
            "tables/second_checks.csv",
        ),
        method=(
            f"From risks predicted before the outcome was known. A check takes {_check_minutes_text(check)}, and finds "
            f"{_share_found_text(report)}; savings are net of checking time. A "
            f"list is made every {quantity(check.worklist_days, 'day')}: comebacks before the next list are not covered."
        ),
    )  # fmt: skip


def _share_found_text(report: Report) -> str:
    """The share of faults that a check finds, and where it is from."""
    share = f"{report.standard.second_check.sensitivity:.0%} of the faults that would bring a brake back"
    used = report.action_results.filter(pl.col("measure") == SHARE_FOUND, pl.col("note") == SHARE_USED)
    for row in used.iter_rows(named=True):
        return (
            f"{share} (95% interval {percent_range(row['lo'], row['hi'])}, as measured in {quantity(row['total'], 'fault')}; "
            "an upper bound, because not every fault found would have come back)"
        )
    return f"{share}, as set in the procedure"


def _affordable_row(table: pl.DataFrame, per_week: float) -> dict[str, Any]:
    """The row with the most checks that the time allows; the smallest where none fits."""
    within = table.filter(pl.col("checks_per_week") <= per_week)
    return (within.tail(1) if within.height else table.head(1)).row(0, named=True)


def _catch_finding(row: dict[str, Any], check: SecondCheck, default: str) -> Finding:
    """What the checks that there is time for look at: not always what saves most bench time."""
    riskiest = f"riskiest {row['share']:.0%}"
    if row["caught_per_100_comebacks"] is None:
        return Finding(f"Checking the {riskiest}: too few comebacks to say what it would catch.")
    text = f"Checking the {riskiest} of bleeds would cover {row['caught_per_100_comebacks']:.0f}% of comebacks."
    if row["share"] == 1:
        missed = 100 - row["caught_per_100_comebacks"]
        text = f"There is time to check every bleed; {missed:.0f}% of those that come back do so before the next list."
    if row["precision"]:
        text += f" 1 checked bleed in {1 / row['precision']:.0f} would come back."
    checks = "" if row["checks_per_week"] is None else f"With {check.per_week:g} checks a week{default}: "
    limits = "" if row["caught_lo"] is None else f" ({row['caught_lo']:.0f}–{row['caught_hi']:.0f}%)"
    share = f"{row['caught_per_100_comebacks']:.0f}%{limits}"
    return Finding(text, f"{checks}{share}. The rest came back before the next list was made, or were not on it.")


def _saving_text(row: dict[str, Any]) -> str:
    """`30% of bleeds: a net saving of 16 h a year (10–20)`, or what they cost."""
    hours, lo, hi = (
        None if row[name] is None else row[name] / 60
        for name in ("minutes_saved", "minutes_saved_lo", "minutes_saved_hi")
    )
    assert hours is not None  # the caller chose a row with this figure
    limits = "" if lo is None or hi is None else f" ({interval(lo, hi)})"
    if hours >= 0:
        return f"{row['share']:.0%} of bleeds, a net saving of {hours:,.0f} h a year{limits}"
    limits = "" if lo is None or hi is None else f" ({interval(-hi, -lo)})"
    return f"{row['share']:.0%} of bleeds, which costs {-hours:,.0f} h a year more than it saves{limits}"
