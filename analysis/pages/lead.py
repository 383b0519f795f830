"""The service lead's page: call back now, how many come back, better or worse, where it differs, what it costs."""

from __future__ import annotations

import polars as pl

from analysis.charts import incidence_curve, missed_bars, months_line, rate_dots, step_bars
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table
from analysis.report import Report

KIND_WORDS = {
    "shop": "workshop",
    "technician": "technician",
    "brake_model": "brake model",
    "fluid": "fluid",
    "job_reason": "reason for the job",
    "brake": "brake",
    "hose_route": "hose route",
}


def lead_questions(report: Report) -> list[Question]:
    """The lead's questions in order of urgency, answered from the report."""
    return [_holds(report), _how_many(report), _months(report), _where(report), _steps(report), _costs(report)]


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
    if row["incidence"] is not None:
        all_bleeds = words.share(row["incidence"], row["incidence_lo"], row["incidence_hi"])
        text += f" Counting the {words.count(young, 'younger bleed')} for as long as they were followed: {all_bleeds}."
    return text


def holds_sentence(report: Report) -> str:
    """How many bleeds must be called back now."""
    still = report.holds.filter("open")
    bikes = still.n_unique("session_id")
    if not bikes:
        return "No bleed in the log breaks a hold rule and still stands: nothing to call back."
    kinds = still.group_by("rule").len().sort("len", "rule", descending=[True, False])
    told = [f"{n} {HOLD_WORDS[rule]}" for rule, n in kinds.iter_rows()]
    stand = "stands" if bikes == 1 else "stand"
    return f"{words.count(bikes, 'bleed')} {stand} to be called back now: {words.listed(told)}."


HOLD_WORDS = {
    "wrong_fluid": "with the wrong fluid",
    "kit_of_other_kind": "bled with a kit of the other family",
    "not_firm": "released with a lever not firm",
    "leak": "released with a leak seen",
}


def _holds(report: Report) -> Question:
    still = report.holds.filter("open").join(
        report.log.sessions.select(
            "session_id", "bike_id", "brake", "shop", pl.col("started_at").dt.date().alias("day")
        ),
        on="session_id",
        how="left",
        maintain_order="left",
    )
    columns = {
        "session_id": "bleed",
        "day": "day",
        "shop": "workshop",
        "bike_id": "bike",
        "brake": "brake",
        "rule": "hold",
        "found": "found",
        "required": "required",
    }
    return Question(
        id="holds",
        question="What must be called back now, whatever the statistics say?",
        answer=holds_sentence(report),
        action="Call these bikes in before anything else; do not wait for a complaint." if len(still) else "",
        points=tuple(dict.fromkeys(still.get_column("action").to_list())),
        table=page_table(
            still.with_columns(pl.col("rule").replace(HOLD_WORDS)), "Bleeds on hold", columns, "tables/holds.csv"
        ),
        open_table=bool(len(still)),
        method=(
            "A hold is a rule, not an estimate: fluid of the wrong kind, a kit of the other family, a lever released not "
            "firm, a leak seen. A hold closes when a later bleed of the same brake broke no rule."
        ),
    )


def _how_many(report: Report) -> Question:
    details = []
    if report.weibull is not None:
        details.append(
            f"Over time, {report.weibull.words} (shape {report.weibull.shape:.2f}, "
            f"{report.weibull.shape_lo:.2f} to {report.weibull.shape_hi:.2f})."
        )
    unlinked = int(report.intake.get_column("unlinked").sum())
    if unlinked:
        details.append(
            f"{words.count(unlinked, 'return')} found no bleed in the log and {'is' if unlinked == 1 else 'are'} not counted."
        )
    return Question(
        id="rate",
        question="How many bleeds come back, honestly counted?",
        answer=rate_sentence(report),
        action="Quote the rate with its interval; a bleed that is still young is no success yet.",
        points=tuple(details),
        charts=drawn(incidence_curve(report.incidence, report.window_days)) if len(report.incidence) else (),
        method=(
            "A bleed is followed for the window when the as-of date is at least that many days after it. The rate has a "
            "Wilson interval; the curve is Aalen–Johansen, with a later bleed of the same brake as a competing end."
        ),
    )


def _months(report: Report) -> Question:
    overall = report.months.filter(pl.col("kind") == "all")
    flagged = report.months.filter(pl.col("signal").is_in(["high", "low"]) | pl.col("change_began"))
    shops = report.months.filter(pl.col("kind") == "shop").get_column("group").unique().sort().to_list()
    chosen = [group for group in shops if group in flagged.get_column("group").to_list()] or shops[:1]
    charts = [months_line(overall)] + [
        months_line(report.months.filter(pl.col("kind") == "shop", pl.col("group") == group)).properties(title=group)
        for group in chosen[:4]
    ]
    return Question(
        id="months",
        question="Better or worse, and since when?",
        answer=change_sentence(report),
        action="Look at what changed in that month: people, kits, fluid, the procedure." if len(flagged) else "",
        charts=drawn(*charts) if overall.get_column("rate").count() else (),
        table=page_table(
            report.months,
            "Month by month",
            {
                "group": "group", "month": "month", "sessions": "bleeds", "mature": "followed", "comebacks": "came back",
                "rate": "rate %", "lower": "lower limit %", "upper": "upper limit %", "signal": "signal",
            },
            "tables/months.csv",
        ),
        method=(
            "Each month's rate stands within the limits that chance alone explains. Months whose bleeds are not all followed "
            "for the window are drawn hollow and raise no signal."
        ),
    )  # fmt: skip


def change_sentence(report: Report) -> str:
    """Since when it changed, group by group; or that no change is told."""
    if not report.months.get_column("centre").count():
        return "Whether it got better or worse is too few to tell yet: the monthly rates are shown without limits."
    began = report.months.filter("change_began")
    if began.is_empty():
        return "No change beyond chance: every followed month is what the same mix of work would give."
    told = []
    for row in began.iter_rows(named=True):
        after = report.months.filter(
            pl.col("kind") == row["kind"], pl.col("group") == row["group"], pl.col("month") >= row["month"]
        )
        before = report.months.filter(
            pl.col("kind") == row["kind"], pl.col("group") == row["group"], pl.col("month") < row["month"]
        )
        rates = [int(f["comebacks"].sum()) / max(int(f["mature"].sum()), 1) for f in (before, after)]
        name = "all workshops together" if row["kind"] == "all" else row["group"]
        moved = (
            f", when {row['step_moved'].replace('_', ' ')} was missed more or less often" if row["step_moved"] else ""
        )
        told.append(f"{name} went from {rates[0]:.1%} to {rates[1]:.1%} in {row['month']}{moved}")
    return f"Changed beyond chance: {words.listed(told)}."


def _where(report: Report) -> Question:
    kinds = [kind for kind in KIND_WORDS if kind in report.rates.get_column("kind").to_list()]
    charts = [
        rate_dots(report.rates.filter(pl.col("kind") == kind), KIND_WORDS[kind]).properties(
            title=f"by {KIND_WORDS[kind]}"
        )
        for kind in kinds
        if report.rates.filter(pl.col("kind") == kind).get_column("rate").count()
    ]
    columns = {
        "kind": "kind", "group": "group", "mature": "followed", "comebacks": "came back", "rate": "rate %",
        "expected": "expected for the same work", "ratio": "came back / expected", "shrunk_rate": "shrunk rate %",
        "signal": "signal",
    }  # fmt: skip
    return Question(
        id="where",
        question="Where and with whom is it really different?",
        answer=difference_sentence(report),
        action=(
            "Compare people only with the same work. Where intervals overlap there is no order to speak of: no league table."
        ),
        charts=drawn(*charts),
        table=page_table(report.rates.filter(pl.col("kind") != "all"), "Rates by group", columns, "tables/rates.csv"),
        method=(
            "Raw rates have Wilson intervals. Expected comebacks come from a model of the work alone (brake, route, reason, "
            "fluid), fitted without the group; a signal needs more than chance explains after counting all comparisons."
        ),
    )


def difference_sentence(report: Report) -> str:
    """Who or what differs beyond chance, and whom not to blame."""
    signals = report.rates.filter(
        pl.col("signal").is_in(["high", "low"]), pl.col("kind").is_in(["technician", "shop", "brake_model"])
    )
    if report.too_few:
        return (
            f"With {words.count(report.comebacks, 'comeback')} in all, differences between groups are too few to tell."
        )
    if not report.rates.get_column("expected").count():
        return (
            "Groups are shown with their raw rates and intervals; what the same work would give is not compared here."
        )
    told = [
        f"{row['group']} ({KIND_WORDS.get(row['kind'], row['kind'])}) has {'more' if row['signal'] == 'high' else 'fewer'} "
        f"comebacks than the same work explains, {words.amount(row['ratio'], row['ratio_lo'], row['ratio_hi'])} times as many"
        for row in signals.iter_rows(named=True)
    ]
    text = f"{words.listed(told)}." if told else "No group differs from the same work by more than chance."
    people = report.rates.filter(pl.col("kind") == "technician", pl.col("mature") >= 30).sort("rate", descending=True)
    if people.height and people.row(0, named=True)["signal"] != "high":
        worst = people.row(0, named=True)
        if worst["expected"] and worst["rate_lo"] is not None:
            text += (
                f" {worst['group']} has the highest raw rate ({worst['rate']:.1%}) and is not to be blamed for it: "
                f"{worst['comebacks']} came back where the same work predicts {worst['expected']:.1f}."
            )
    return text


def _steps(report: Report) -> Question:
    ranked = report.steps.sort("rank", nulls_last=True)
    chart = step_bars(ranked) if ranked.get_column("preventable_per_100").count() else missed_bars(ranked)
    return Question(
        id="steps",
        question="What would fixing the costliest steps save?",
        answer=step_sentence(report),
        action="Start with the first one or two; they are worth more than a general reminder.",
        charts=drawn(chart),
        table=page_table(
            ranked,
            "Steps of the standard",
            {
                "title": "step", "missed": "missed", "recorded": "of recorded", "share_missed": "share %",
                "preventable_per_100": "spared per 100", "lo": "from", "hi": "to", "naive_difference": "raw difference per 100",
                "verdict": "verdict",
            },
            "tables/steps.csv",
        ),
        method=(
            "Spared comebacks per 100 bleeds if nobody missed the step again, adjusted for the work, the person and the other "
            "steps, never for what was seen afterwards. It is observation, not experiment. The raw difference stands beside."
        ),
    )  # fmt: skip


def step_sentence(report: Report) -> str:
    """The steps that cost comebacks, or the most often missed ones where there is too little to tell."""
    called = report.steps.filter(pl.col("verdict") == "costs_comebacks").sort("rank")
    if called.height:
        told = [
            f"{row['title']} ({words.amount(row['preventable_per_100'], row['lo'], row['hi'])} per 100 bleeds)"
            for row in called.head(3).iter_rows(named=True)
        ]
        verb = "costs" if len(told) == 1 else "cost"
        return f"Missed, {words.listed(told)} {verb} the most comebacks."
    most = report.steps.filter(pl.col("share_missed").is_not_null()).sort("share_missed", descending=True).head(3)
    often = [f"{t} ({s:.0%})" for t, s in most.select("title", "share_missed").iter_rows()]
    lead = "Which missed step costs comebacks is too few to tell yet." if not _ranked(report) else "No step is called."
    return f"{lead} Most often missed: {words.listed(often)}."


def _ranked(report: Report) -> bool:
    return bool(report.steps.get_column("preventable_per_100").count())


def _costs(report: Report) -> Question:
    currency = report.standard.currency
    if report.costs.is_empty():
        answer = "What comebacks cost is too few to tell yet."
    else:
        row = report.costs.row(0, named=True)
        answer = (
            f"About {row['comebacks_per_year']:.0f} comebacks a year take {row['minutes_per_year'] / 60:.0f} bench hours "
            f"and {row['parts_per_year']:.0f} {currency} of parts."
        )
    return Question(
        id="costs",
        question="What do comebacks cost?",
        answer=answer,
        table=page_table(
            report.costs,
            "A year's cost by cause (causes do not add up)",
            {
                "cause": "cause", "comebacks_per_year": "comebacks a year", "minutes_per_year": "bench minutes a year",
                "parts_per_year": f"parts a year, {currency}",
            },
            "tables/costs.csv",
        ),
        method="The rate times bleeds a year; minutes and parts as the returns tell them, else as the shop's standard says.",
    )  # fmt: skip
