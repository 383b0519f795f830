"""Which bleeds deserve a second check today, and what second checks catch and save."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import second_check_curve, worklist_dots
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table
from analysis.prepared import LEAST_COMEBACKS
from analysis.report import Report

ALWAYS = "Every bleed ends with a hard pull; a low risk is no clearance."
COLUMNS = {
    "session_id": "bleed", "day": "day", "shop": "workshop", "bike_id": "bike", "brake": "brake", "risk": "risk %",
    "risk_lo": "from %", "risk_hi": "to %", "reason_1": "because", "reason_2": "and", "reason_3": "and also",
}  # fmt: skip


def no_risk_sentence(report: Report) -> str:
    """Why no risk is given: too few comebacks, or something else; the two are told apart."""
    if report.too_few:
        return (
            f"The log has {words.count(report.comebacks, 'linked comeback')}; under {LEAST_COMEBACKS} it is too few "
            "to tell which bleeds are at risk, and no risk is given."
        )
    return (
        f"No risk is given in this run, although the log has {words.count(report.comebacks, 'linked comeback')}: no risk "
        "model could be held against comebacks that it had not seen."
    )


def worklist(report: Report) -> Question:
    """The bleeds to check a second time now, with their risk and its reasons."""
    question = "Which bleeds deserve a second check today?"
    if report.risk.is_empty():
        return Question(
            "worklist", question, no_risk_sentence(report), action=f"Check by the standard, not by a list. {ALWAYS}"
        )
    beside = report.log.sessions.select(
        "session_id", "bike_id", "brake", "shop", "technician", pl.col("started_at").dt.date().alias("day")
    )
    chosen = (
        report.risk.filter("on_worklist")
        .sort("risk", "session_id", descending=[True, False])
        .join(beside, on="session_id", how="left", maintain_order="left")
    )
    return Question(
        id="worklist",
        question=question,
        answer=_worklist_sentence(report, chosen),
        points=(*_first_bleeds(chosen), *_also_held(report, chosen)),
        action=f"Check these first, from the top. {ALWAYS}" if chosen.height else ALWAYS,
        charts=drawn(worklist_dots(chosen, _overall(report))) if chosen.height else (),
        table=page_table(chosen, "Worklist, highest risk first", COLUMNS, "tables/risk.csv"),
        open_table=bool(chosen.height),
        method=(
            "The newest bleeds by their risk of coming back within the window, as many as the shop's standard has time for. "
            "Each interval is the model's own; a bleed without a reason prints none, and is not therefore fine. How good "
            "such risks are stands on the analyst's page."
        ),
    )


def second_checks(report: Report) -> Question:
    """What checking a share of the bleeds a second time catches, and whether it pays."""
    question, told = "What do second checks catch and save?", report.second_checks.sort("share")
    if told.is_empty():
        answer = (
            no_risk_sentence(report) if report.risk.is_empty() else "What second checks save is too few to tell yet."
        )
        return Question("second-checks", question, answer)
    check = report.standard.second_check
    able = _nearest(told, check.per_week)
    pays = told.filter(pl.col("minutes_saved") > 0).sort("minutes_saved", descending=True).head(1)
    points = [f"Most bench time is saved by checking {_saving(row)}." for row in pays.iter_rows(named=True)] or [
        "In bench minutes alone no share of checks pays for itself: what it buys is a comeback that nobody rides."
    ]
    if able["minutes_saved"] is not None:
        points = [f"As many checks as there is time for ({check.per_week:g} a week): {_saving(able)}.", *points]
    return Question(
        id="second-checks",
        question=question,
        answer=f"{_caught(able)} A check finds {check.finds:.0%} of those.",
        points=tuple(points),
        action="Choose the number of checks by the time there is; more checks catch more, each one less.",
        charts=drawn(second_check_curve(told)),
        table=page_table(
            told,
            "By the share of bleeds checked",
            {
                "share": "checked %", "checks_per_week": "checks a week", "threshold": "risk from which %",
                "caught_per_100_comebacks": "comebacks among them, of 100", "precision": "of the checked come back %",
                "net_benefit": "net benefit a bleed", "minutes_saved": "bench minutes saved a year",
            },
            "tables/second_checks.csv",
        ),
        method=(
            f"From risks given before their outcome was known. A check takes {check.minutes:g} minutes and finds "
            f"{check.finds:.0%} of what would come back, as the shop's standard says; the checks' own minutes are paid for."
        ),
    )  # fmt: skip


def _worklist_sentence(report: Report, chosen: pl.DataFrame) -> str:
    check, total = report.standard.second_check, report.risk.height
    if chosen.is_empty():
        return (
            f"No bleed of the last {words.count(check.worklist_days, 'day')} up to {report.as_of} stands in the log: nothing "
            f"to check today. {words.count(total, 'older bleed')} have their risk in the table of risks."
        )
    return (
        f"{words.count(chosen.height, 'bleed')} of the last {words.count(check.worklist_days, 'day')} up to {report.as_of}: "
        f"the highest risks that {check.per_week:g} checks a week have time for."
    )


def _first_bleeds(chosen: pl.DataFrame) -> tuple[str, ...]:
    return tuple(
        f"{row['session_id']} ({row['bike_id']}, {row['brake']}): {words.share(row['risk'], row['risk_lo'], row['risk_hi'])}, "
        f"{_because([r for r in (row['reason_1'], row['reason_2'], row['reason_3']) if r])}."
        for row in chosen.head(3).iter_rows(named=True)
    )


def _also_held(report: Report, chosen: pl.DataFrame) -> tuple[str, ...]:
    """Bleeds of the worklist that are to be called back whatever their risk."""
    held = report.holds.filter("open", pl.col("session_id").is_in(chosen.get_column("session_id").implode()))
    which = held.get_column("session_id").unique().sort().to_list()
    told = f"To be called back in any case, not only checked: {words.listed(which)} (see what must be called back now)."
    return (told,) if which else ()


def _because(reasons: list[str]) -> str:
    return f"because {words.listed(reasons)}" if reasons else "no reason found"


def _overall(report: Report) -> float | None:
    rate: float | None = report.rates.filter(pl.col("kind") == "all").get_column("rate")[0]
    return rate


def _nearest(told: pl.DataFrame, per_week: float) -> dict[str, Any]:
    """The row that comes closest to the checks there is time for, without more of them where one is."""
    within = told.filter(pl.col("checks_per_week") <= per_week)
    return (within.tail(1) if within.height else told.head(1)).row(0, named=True)


def _caught(row: dict[str, Any]) -> str:
    text = f"Checking {row['share']:.0%} of bleeds"
    if row["checks_per_week"] is not None:
        text += f" ({row['checks_per_week']:.0f} a week)"
    if row["caught_per_100_comebacks"] is None:
        return f"{text}: too few to tell what it meets."
    text += f" looks at {_figure(row, 'caught_per_100_comebacks', 'caught', '.0f')} of 100 that would come back"
    return text + (f"; about one check in {1 / row['precision']:.0f} meets one." if row["precision"] else ".")


def _saving(row: dict[str, Any]) -> str:
    hours = {name: value / 60 for name, value in row.items() if name.startswith("minutes_saved") and value is not None}
    told = _figure(hours, "minutes_saved", "minutes_saved", ",.0f")
    return f"{row['share']:.0%} of bleeds, about {told} hours a year beyond what the checks take"


def _figure(row: dict[str, Any], name: str, limits: str, plain: str) -> str:
    """A figure with its limits where the table has them."""
    lo, hi = row.get(f"{limits}_lo"), row.get(f"{limits}_hi")
    return format(row[name], plain) if lo is None or hi is None else words.amount(row[name], lo, hi)
