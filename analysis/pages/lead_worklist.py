"""Bleeds to check a second time today, and what second checks cover and save."""

from __future__ import annotations

import datetime as dt
import itertools
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

REMINDER = "A low risk is not a pass."
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
            f"{quantity(listed.height, 'bleed')} to check today. Others would cost more bench time than they save, "
            "safety aside.",
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
    """What checking a share of the bleeds a second time covers, and whether it pays."""
    question, table = "What do second checks cover and save?", report.second_checks.sort("share")
    if table.is_empty():
        too_few = Finding("Too few comebacks to say what second checks save.")
        return Question("second-checks", question, no_risk_finding(report) if report.risk.is_empty() else too_few)
    check = report.standard.second_check
    affordable = _affordable_row(table, check.per_week)
    return Question(
        id="second-checks",
        question=question,
        answer=_saving_finding(report, table),
        points=(_time_available_text(affordable, check, _default_note(report)),),
        action="Choose the number by what it saves.",
        charts=chart_specs(second_check_curve(table)),
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


def _saving_finding(report: Report, table: pl.DataFrame) -> Finding:
    """How many checks save the most bench time and up to how many they save any, or that no fixed number saves time."""
    paying = table.filter(pl.col("minutes_saved") > 0).sort("minutes_saved", descending=True)
    if paying.is_empty():
        return Finding(
            "Checking a fixed share of all bleeds costs more bench time than it saves. A single bleed with a risk above "
            f"{percent(report.break_even_risk)} is worth it, and any check may stop a bike going out with a bad brake."
        )
    best = paying.row(0, named=True)
    number = _number_text(best["checks_per_week"])
    verb = "check a week saves" if number == "1" else "checks a week save"
    text = f"About {number} {verb} the most bench time: {_hours_text(best)}{_covered_text(best)}."
    if (even := _break_even_checks(table, best)) is not None:
        text += f" About {_number_text(even)} would break even; more only cost bench time, safety aside."
    rate = f"; of those checked, 1 in {1 / best['precision']:.0f} would come back" if best["precision"] else ""
    limits = (
        ""
        if best["caught_lo"] is None
        else f" 95% interval of the share covered: {best['caught_lo']:.0f}–{best['caught_hi']:.0f}%."
    )
    return Finding(
        text,
        f"That is the riskiest {best['share']:.0%} of bleeds{rate}.{limits} The other comebacks came before the next list was made, or were not on it.",
    )  # fmt: skip


def _break_even_checks(table: pl.DataFrame, best: dict[str, Any]) -> float | None:
    """Checks a week at which the saving is used up, read off a straight line between two rows; None if all rows pay."""
    from_best = table.filter(pl.col("share") >= best["share"]).drop_nulls(["checks_per_week", "minutes_saved"])
    rows = from_best.select("checks_per_week", "minutes_saved").rows()
    for (fewer, saved), (more, lost) in itertools.pairwise(rows):
        if saved > 0 >= lost:
            return float(fewer + (more - fewer) * saved / (saved - lost))
    return None


def _time_available_text(row: dict[str, Any], check: SecondCheck, default: str) -> str:
    """What all the checks that there is time for cover and save."""
    saves = "" if row["minutes_saved"] is None else ", saving " if row["minutes_saved"] >= 0 else ", costing "
    return f"The procedure allows for {check.per_week:g} a week{default}{_covered_text(row)}{saves}{_hours_text(row) if saves else ''}."


def _number_text(checks: float) -> str:
    return f"{checks:.0f}" if checks >= 1 else f"{checks:.1g}"


def _covered_text(row: dict[str, Any]) -> str:
    covered = row["caught_per_100_comebacks"]
    return "" if covered is None else f", covering {covered:.0f}% of comebacks"


def _hours_text(row: dict[str, Any]) -> str:
    """`7 h a year (1–15)`: bench time saved, or lost where negative, without its sign."""
    sign = 1 if row["minutes_saved"] >= 0 else -1
    hours, *limits = (
        None if row[name] is None else sign * row[name] / 60
        for name in ("minutes_saved", "minutes_saved_lo", "minutes_saved_hi")
    )
    known_limits = [limit for limit in limits if limit is not None]
    return f"{hours:,.0f} h a year" + (
        f" ({interval(min(known_limits), max(known_limits))})" if len(known_limits) > 1 else ""
    )
