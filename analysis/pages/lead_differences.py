"""Who and what differs once the kind of work is allowed for."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import (
    rate_dots,
    ratio_board,
    ratio_dots,
    select_groups,
    truncation_note,
)
from analysis.pages.labels import KIND_LABELS, group_phrase, level_label, with_group_labels
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import (
    capitalised,
    estimate,
    join_words,
    percent,
    percent_interval,
    quantity,
)
from analysis.report import Report

KINDS_OF_WORK = ("brake_model", "fluid", "job_reason", "brake", "hose_route")
MIN_BLEEDS_FOR_A_NAME, MAX_GROUPS_NAMED = 30, 6
EARLY_DAYS, MIN_SHARE = 30, 0.03


def difference_finding(report: Report) -> Finding:
    """Which workshop or technician differs from similar work elsewhere, and whose high rate the work explains."""
    if report.small_sample:
        return Finding(
            f"Too few comebacks ({report.comebacks:,}, counting those after {report.window_days} days) to compare workshops or technicians."
        )
    if not report.rates.get_column("expected").count():
        return Finding("Only unadjusted rates are shown: this log cannot be adjusted for the kind of work.")
    alone = _lone_groups_text(report)
    if not report.rates.filter(pl.col("kind").is_in(["shop", "technician"])).get_column("expected").count():
        text = alone or "No workshop or technician can be compared with another."
        return Finding(f"{text} {_work_text(report)}".strip())
    rows = list(signals(report, ("shop", "technician")).iter_rows(named=True))
    texts = [_difference_text(row) for row in rows] or [f"Like for like, no {_compared_kinds(report)} clearly differs."]
    texts += _withheld_note(report)
    texts += _alike_workshops_note(report, rows)
    innocent = _highest_rate_finding(report)
    details = [
        f"{row['group']}: ratio {estimate(row['ratio'], row['ratio_lo'], row['ratio_hi'])}, "
        f"{quantity(row['mature'], 'bleed')}."
        for row in rows
    ]
    return Finding(
        " ".join(text for text in (*texts, alone, innocent.text, _work_text(report)) if text),
        " ".join([*details, innocent.detail]).strip(),
    )


def _work_text(report: Report) -> str:
    """The kinds of work that clearly differ, each by its groups with more comebacks, otherwise by those with fewer."""
    rows = signals(report, KINDS_OF_WORK)
    texts = []
    for signal, words in (("high", "More comebacks than expected"), ("low", "Fewer than expected")):
        groups = rows.filter(pl.col("signal") == signal)
        if signal == "low":
            groups = groups.join(rows.filter(pl.col("signal") == "high"), on="kind", how="anti")
        names = [group_phrase(kind, group) for kind, group in groups.select("kind", "group").iter_rows()]
        rest = [f"{len(names) - MAX_GROUPS_NAMED} more"] if len(names) > MAX_GROUPS_NAMED else []
        texts += [f"{words}: {join_words([*names[:MAX_GROUPS_NAMED], *rest])}."] if names else []
    return " ".join(texts)


def _compared_kinds(report: Report) -> str:
    """`workshop or technician`, or the one of which there are several."""
    compared = report.rates.filter(pl.col("expected").is_not_null())
    several = [kind for kind in ("shop", "technician") if compared.filter(pl.col("kind") == kind).height > 1]
    return " or ".join(KIND_LABELS[kind] for kind in several or ("shop", "technician"))


def _alike_workshops_note(report: Report, rows: list[dict[str, Any]]) -> list[str]:
    """That no workshop differs, where several are compared and only technicians do."""
    shops = report.rates.filter(pl.col("kind") == "shop").get_column("expected").count()
    alike = rows and shops > 1 and all(row["kind"] != "shop" for row in rows)
    return ["No workshop clearly differs over the whole log."] if alike else []


def _withheld_note(report: Report) -> list[str]:
    """Who is not judged, because the returns of a workshop may be incomplete."""
    withheld = report.rates.filter(pl.col("signal") == "in_question").sort("kind", "group")
    shops = withheld.filter(pl.col("kind") == "shop").get_column("group").to_list()
    people = withheld.filter(pl.col("kind") == "technician").height
    who = [*shops, *([quantity(people, "technician")] if people else [])]
    return [f"Not judged, because returns may be incomplete: {join_words(who)}."] if who else []


def _lone_groups_text(report: Report) -> str:
    """Who is alone, so that no comparison can be made."""
    groups = [report.rates.filter(pl.col("kind") == kind) for kind in ("shop", "technician")]
    return " ".join(
        f"{own.get_column('group')[0]} is the only {KIND_LABELS[own.get_column('kind')[0]]}: there is nobody to compare with."
        for own in groups
        if own.height == 1
    )


def signals(report: Report, kinds: tuple[str, ...]) -> pl.DataFrame:
    """Groups of these kinds that clearly differ, in the order of the kinds."""
    rows = report.rates.filter(pl.col("signal").is_in(["high", "low"]), pl.col("kind").is_in(kinds))
    order = {kind: index for index, kind in enumerate(kinds)}
    return rows.sort(pl.col("kind").replace_strict(order, default=None, return_dtype=pl.Int64), "group")


def _difference_text(row: dict[str, Any]) -> str:
    return f"{row['group']} had {quantity(row['comebacks'], 'comeback')}; {row['expected']:.0f} expected for the same mix of work."


def _highest_rate_finding(report: Report) -> Finding:
    """The technician with the highest unadjusted rate, and whether the kind of work accounts for it."""
    people = report.rates.filter(
        pl.col("kind") == "technician", pl.col("mature") >= MIN_BLEEDS_FOR_A_NAME, pl.col("expected").is_not_null()
    ).sort("rate", "group", descending=[True, False])
    alike = people.get_column("rate").n_unique() < 2
    if people.is_empty() or alike or people.row(0, named=True)["signal"] in ("high", "in_question"):
        return Finding("")
    row = people.row(0, named=True)
    name, expected = row["group"], f"{row['expected']:.0f}"
    detail = (
        f"{name}: {percent(row['rate'])} of {quantity(row['mature'], 'bleed')} came back, the highest unadjusted rate."
    )
    number = quantity(row["comebacks"], "comeback")
    text = (
        f"{name} has the highest unadjusted rate: {number}, {expected} expected for that work."
        if row["comebacks"] <= row["expected"]
        else f"{name} has the highest rate but does not clearly differ: {number}, {expected} expected."
    )
    ratio = f" Ratio {estimate(row['ratio'], row['ratio_lo'], row['ratio_hi'])}."
    return Finding(text, detail if row["comebacks"] <= row["expected"] else f"{detail}{ratio}")


def difference_question(report: Report) -> Question:
    """Who and what differs, allowing for the work."""
    rates = with_group_labels(report.rates)
    adjusted = bool(report.rates.get_column("expected").count())
    of_work = signals(report, KINDS_OF_WORK)
    columns = {
        "kind": "kind", "group": "group", "mature": "followed", "comebacks": "came back", "rate": "rate %",
        "expected": "expected", "ratio": "observed / expected", "ratio_lo": "95% low", "ratio_hi": "95% high",
        "shrunk_rate": "adjusted rate %", "q_value": "q", "signal": "signal",
    }  # fmt: skip
    kinds = [
        kind for kind in KIND_LABELS if _has_rates(rates, kind) and not (adjusted and kind == "shop")
    ]  # on the board
    table = rates.filter(pl.col("kind") != "all").with_columns(pl.col("kind").replace(KIND_LABELS))
    return Question(
        id="where",
        question="Who or what is out of line, like for like?",
        answer=difference_finding(report),
        points=tuple(_repeat_comebacks_text(report)),
        figures=(*(_work_difference_text(row) for row in of_work.iter_rows(named=True)), *report.late_brake_model_notes),
        action="Do not rank people: most of these differences are too small. Talk about the work." if adjusted else "",
        hint=(
            "Click a technician (or pick one below) to see the work they do, or a brake model to see how soon it comes back."
            if adjusted
            else ""
        ),
        fold_charts=True,
        charts=chart_specs(*(_group_chart(report, rates, kind, adjusted) for kind in kinds)),
        table=page_table(table, "Rates by group", columns, "tables/rates.csv"),
        method=(
            "Rates have Wilson intervals. Comebacks expected for a group are estimated from the comebacks that the other groups of the same type had on "
            "similar work, using a model fitted without the group itself (indirect standardisation). The observed/expected ratio "
            "has conditional binomial limits: they allow for chance in both counts, with bleeds of one bike taken together. A group is flagged "
            "when the difference is statistically clear with the false discovery rate controlled over the groups of its kind "
            "(technicians, for example); it is then left out of the reference and the others are compared again. With only two groups, either could be the odd one "
            "out. This is observational evidence, not an experiment."
        ),
    )  # fmt: skip


def _repeat_comebacks_text(report: Report) -> list[str]:
    """How many brakes bled because they had come back came back once more."""
    again = report.rates.filter(
        pl.col("kind") == "job_reason", pl.col("group") == "comeback", pl.col("mature") >= MIN_BLEEDS_FOR_A_NAME
    )
    return [
        f"Brakes bled because of a comeback: {percent_interval(row['rate'], row['rate_lo'], row['rate_hi'])} came back again. "
        "First look for a leak or worn seal."
        for row in again.iter_rows(named=True)
    ]


def _work_difference_text(row: dict[str, Any]) -> str:
    label = capitalised(group_phrase(row["kind"], row["group"]))
    label += " (brake model)" if row["kind"] == "brake_model" else ""
    ratio = f"Ratio {estimate(row['ratio'], row['ratio_lo'], row['ratio_hi'])}"
    return (
        f"{label}: {percent(row['rate'])} came back, "
        f"{percent(row['expected'] / row['mature'])} expected for otherwise similar jobs. {ratio}, {quantity(row['mature'], 'bleed')}."
    )


def _has_rates(rates: pl.DataFrame, kind: str) -> bool:
    return bool(rates.filter(pl.col("kind") == kind).get_column("rate").count())


def _group_chart(report: Report, rates: pl.DataFrame, kind: str, adjusted: bool) -> Any:
    every, label = rates.filter(pl.col("kind") == kind), KIND_LABELS[kind]
    own = select_groups(every)
    cut = truncation_note(own.height, every.height, "flagged groups first, then those with the most bleeds")
    title = f"by {label}" + (f" ({cut})" if cut else "")
    if not adjusted or kind not in ("shop", "technician", "brake_model") or not own.get_column("ratio_lo").count():
        return with_title(rate_dots(own, label), title)
    if kind == "technician":
        board = ratio_board(own, work_mix(report), label, "share of bleeds", _first_choice(own))
        return with_title(board, title)
    if kind == "brake_model":
        board = ratio_board(own, comeback_time_shares(report), label, "share of comebacks", _first_choice(own))
        return with_title(board, title)
    return with_title(ratio_dots(own, label), title)


def _first_choice(own: pl.DataFrame) -> str | None:
    """The group selected at first: the one with the highest rate, whose work most needs to be seen."""
    rows = own.filter(pl.col("mature") >= MIN_BLEEDS_FOR_A_NAME, pl.col("ratio_lo").is_not_null())
    names = rows.sort("rate", "group", descending=[True, False]).get_column("group")
    return str(names[0]) if len(names) else None


def work_mix(report: Report) -> pl.DataFrame:
    """Each technician's followed bleeds by brake and hose routing, compared with all technicians.

    Returns
    -------
    DataFrame
        group, what, place: technician, kind of work, its order; n, of, share, share_all: own bleeds of that kind, own
        bleeds, own share, share among all.
    """
    hose = pl.col("hose_route").map_elements(level_label, return_dtype=pl.String).fill_null("not recorded")
    counts = report.data.bleeds.filter("mature").group_by("technician", "brake", "hose_route").agg(n=pl.len())
    kinds = counts.select("n", group="technician", what=pl.concat_str(pl.col("brake"), pl.lit(", hose "), hose))
    return _shares_by_group(kinds).filter(pl.col("share_all") >= MIN_SHARE)


def comeback_time_shares(report: Report) -> pl.DataFrame:
    """Each brake model's comebacks by how soon they came, compared with all models; columns as in `work_mix`."""
    days, window = pl.col("return_days"), report.window_days
    early = min(EARLY_DAYS, window)
    labels = [f"1. within {early} days", f"2. up to {window} days", f"3. after {window} days"]
    band = pl.when(days <= early).then(0).when(days <= window).then(1).otherwise(2)
    rows = report.data.bleeds.filter(days.is_not_null(), pl.col("brake_model").is_not_null())
    counts = rows.group_by(
        group="brake_model", what=band.replace_strict(dict(enumerate(labels)), return_dtype=pl.String)
    ).agg(n=pl.len())
    return _shares_by_group(counts)


def _shares_by_group(counts: pl.DataFrame) -> pl.DataFrame:
    """Shares of each kind (`what`) within each `group` and among all, from counts `n`."""
    kinds = counts.group_by("what").agg(share_all=pl.col("n").sum() / counts.get_column("n").sum())
    kinds = kinds.sort("what").with_row_index("place")
    totals = counts.group_by("group").agg(of=pl.col("n").sum()).sort("group")
    own = counts.group_by("group", "what").agg(pl.col("n").sum())
    table = totals.join(kinds, how="cross").join(own, on=["group", "what"], how="left", maintain_order="left")
    return table.with_columns(pl.col("n").fill_null(0)).with_columns(share=pl.col("n") / pl.col("of"))
