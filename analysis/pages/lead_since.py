"""What changed since the last audit, what became of its list, and whether its predictions held."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import HOLD_LABELS, SIGNAL_LABELS, VERDICT_LABELS, predictions_by_tenth
from analysis.pages.labels import KIND_LABELS, KINDS_WITH_LEVELS, field_label, group_phrase, level_label, missed_title
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.text import (
    capitalised,
    date_text,
    estimate,
    join_words,
    month_name,
    percent,
    percent_range,
    quantity,
)
from analysis.report import Report
from analysis.rounds import open_recalls
from schemas.outputs import SHARE_FOUND

MAX_LISTED, MAX_NAMED = 20, 3
OUTCOME_LABELS = {
    "firm": "firm",
    "re_bled": "re-bled",
    "fault_found": "fault found",
    "not_reached": "not reached",
    "declined": "declined",
    "elsewhere": "dealt with elsewhere",
}
CLOSING_LABELS = {
    "later_bleed": "a later bleed of the brake",
    "came_back": "the brake came back",
    "record_changed": "its record was changed",
    "bleed_missing": "the bleed is no longer in the log",
}
PLURAL_KINDS = ("brake", "hose_route", "job_reason")
SUBJECT_LABELS = KIND_LABELS | {"session": "job"}
CHANGE_LABELS = {
    "recall_opened": "recall opened",
    "recall_closed": "recall closed",
    "signal_appeared": "difference appeared",
    "signal_remains": "difference remains",
    "signal_gone": "difference no longer clear",
    "change_named": "change reported",
    "step_verdict": "step's verdict changed",
    "group_new": "new",
    "group_gone": "no more bleeds",
    "records_missing": "records missing",
    "records_changed": "records changed",
    "same_bleeds": "rate of the same bleeds",
    "newly_followed": "rate of newly followed bleeds",
}
COLUMNS = {
    "label": "change", "about": "about", "state_before": "before", "state_now": "now", "before": "figure before",
    "now": "figure now", "lo": "95% low", "hi": "95% high", "confirmed": "confirmed", "note": "note",
}  # fmt: skip


def since_questions(report: Report) -> list[Question]:
    """The question about an earlier audit, if there is one to compare with, or if recalls or checks were done."""
    if not report.look and report.action_results.is_empty():
        return []
    return [since_question(report)]


def findings_since_last_audit(report: Report) -> list[Finding]:
    """The most important changes, for the overview; none without an earlier audit."""
    return [_changes_finding(report)] if report.look else []


def since_question(report: Report) -> Question:
    """What changed since the last audit, or only what became of recalls and second checks."""
    if not report.look:
        return Question(
            "since",
            "What became of recalls and second checks?",
            _actions_finding(report),
            points=(*_not_reached_points(report), *_share_found_points(report)),
            figures=tuple(_owners_to_reach_points(report)),
        )
    tenths = report.predictions.filter(pl.col("round").is_null(), pl.col("group").str.starts_with("tenth"))
    return Question(
        id="since",
        question="What changed since the last audit?",
        answer=_changes_finding(report),
        points=(*_action_points(report), *_share_found_points(report)),
        figures=(*_change_points(report), *prediction_points(report), *_owners_to_reach_points(report)),
        charts=chart_specs(
            with_title(predictions_by_tenth(tenths), "Comebacks since the last audit: predicted and observed")
        )
        if tenths.height
        else (),
        table=page_table(_changes_table(report), "Changes since the last audit", COLUMNS, "tables/changes.csv"),
        method=(
            "Both audits use the same rules, so for the same bleeds only a changed record can change the figure. "
            f"This is comparison {report.look} of the series. A new difference or verdict is confirmed if it is still clear when "
            "a 1-in-20 false-alarm rate is shared out over a year of monthly audits (alpha spending, Lan and DeMets 1983). The "
            "others may be due to chance. A changed record may be a correction: it is listed, not judged. Predictions: for each "
            "bleed that had neither come back nor been re-bled by the last audit, the comebacks expected by the model saved then, "
            "up to today, its return, its next bleed, the end of the window or the day before its recall or second check."
        ),
    )


def _changes_finding(report: Report) -> Finding:
    """Recalls and confirmed changes in a sentence; the rate of the same bleeds as detail."""
    recalled, measured = _count_brakes(report, "recall_opened", "state_now")
    closed, measured_closed = _count_brakes(report, "recall_closed", "state_before")
    recalls = f"{recalled:,} new {'brake' if recalled == 1 else 'brakes'} to recall, {measured} to measure again"
    recalls_closed = (
        f"No longer on the list: {quantity(closed, 'brake')} to recall, {measured_closed} to measure again."
    )
    confirmed = report.changes.filter("confirmed")
    words = [_change_sentence(report, row) for row in confirmed.iter_rows(named=True)]
    rest = words[0] if words else _unconfirmed_text(report)
    return Finding(f"Since the last audit: {recalls}. {rest}", " ".join([recalls_closed, *_rate_points(report)]))


def _unconfirmed_text(report: Report) -> str:
    """What this audit is the first to report, where the stricter test of repeated audits confirms none of it."""
    open_ones = report.changes.filter(~pl.col("confirmed").fill_null(True))
    names = [_subject_phrase(report, row) for row in open_ones.head(MAX_NAMED).iter_rows(named=True)]
    more = [f"{open_ones.height - MAX_NAMED} more"] if open_ones.height > MAX_NAMED else []
    return (
        f"Not yet confirmed by the stricter test for repeated audits: {join_words([*names, *more])}."
        if names
        else "No new difference."
    )


def _count_brakes(report: Report, kind: str, rule: str) -> tuple[int, int]:
    """Brakes that came on the list, or left it: those to recall, and those only to measure again."""
    bleeds = report.log.sessions.select("session_id", "bike_id", "brake")
    brake_changes = report.changes.filter(pl.col("kind") == kind, pl.col("note") == "")
    rows = brake_changes.join(bleeds, left_on="subject", right_on="session_id")
    certain = rows.group_by("bike_id", "brake").agg((pl.col(rule) != "long_travel").any()).get_column(rule)
    return int(certain.sum()), int((~certain).sum())


def _rate_points(report: Report) -> list[str]:
    points = []
    for row in report.changes.filter(pl.col("kind").is_in(["same_bleeds", "newly_followed"])).iter_rows(named=True):
        now, limits = percent(row["now"]), percent_range(row["lo"], row["hi"])
        if row["kind"] == "same_bleeds":
            then = "" if row["before"] is None else f"{percent(row['before'])} then, "
            points.append(f"Same bleeds in both audits: {then}{now} now ({limits}; {row['note']}).")
        else:
            then = "" if row["before"] is None else f"; of earlier bleeds, {percent(row['before'])}"
            points.append(f"Of the {row['note']}, {now} came back ({limits}){then}.")
    return points


def _change_points(report: Report) -> list[str]:
    """A sentence for each confirmed change, then one for each other kind."""
    changes = report.changes
    clear = changes.filter("confirmed")
    open_ones = changes.filter(~pl.col("confirmed").fill_null(True))
    points = [_change_sentence(report, row) for row in clear.iter_rows(named=True)]
    if open_ones.height:
        names = [_subject_phrase(report, row) for row in open_ones.head(6).iter_rows(named=True)]
        points.append(
            "First reported in this audit, and not yet confirmed by the stricter test here, which allows for a year of monthly "
            f"audits: {join_words(names)}."
        )
    for kind, words in (("signal_remains", "Still clearly different"), ("signal_gone", "No longer clearly different")):
        rows = changes.filter(pl.col("kind") == kind)
        names = [
            f"{_subject_phrase(report, row)} ({_signal_state_label(row)})" for row in rows.head(8).iter_rows(named=True)
        ]
        points += [f"{words}: {join_words(names)}."] if names else []
    groups = changes.filter(pl.col("kind").is_in(["group_new", "group_gone"]))
    points += [_change_sentence(report, row) for row in groups.head(6).iter_rows(named=True)]
    return points + _record_points(changes)


def _signal_state_label(row: dict[str, Any]) -> str:
    state = row["state_now"] if row["kind"] == "signal_remains" else row["state_before"]
    comebacks = " comebacks" if state in ("high", "low") else ""
    return f"{SIGNAL_LABELS.get(state, state)}{comebacks}"


def _record_points(changes: pl.DataFrame) -> list[str]:
    points = []
    for kind, words in (("records_missing", "missing"), ("records_changed", "changed")):
        rows = changes.filter(pl.col("kind") == kind)
        if rows.height:
            parts = [
                f"{field_label(row['subject_kind'])}: {row['subject']} {row['now']:.0f}"
                for row in rows.sort("now", descending=True).head(6).iter_rows(named=True)
            ]
            count = int(rows["now"].sum())
            entries = (
                f"{quantity(count, 'entry', 'entries')} in the earlier log {'is' if count == 1 else 'are'} now {words}"
            )
            points.append(f"{entries} ({'; '.join(parts)}).")
    return points


def _change_sentence(report: Report, row: dict[str, Any]) -> str:
    who, plural = capitalised(_subject_phrase(report, row)), row["subject_kind"] in PLURAL_KINDS
    if row["kind"] == "signal_appeared":
        more = "more" if row["state_now"] == "high" else "fewer"
        ratio = estimate(row["now"], row["lo"], row["hi"])
        return f"{who} now {'have' if plural else 'has'} clearly {more} comebacks than expected: {ratio} times as many."
    if row["kind"] == "change_named":
        return f"{who} changed in {month_name(row['state_now'])}; the last audit did not show it."
    if row["kind"] == "step_verdict":
        return f"“{who}” is now clearly linked with comebacks: {estimate(row['now'], row['lo'], row['hi'])} per 100 bleeds."
    if row["kind"] == "group_new":
        return f"{who} {'are' if plural else 'is'} new: {quantity(int(row['now']), 'bleed')}."
    return f"{who} {'have' if plural else 'has'} had no bleed since the last audit."


def _subject_name(report: Report, row: dict[str, Any]) -> str:
    """A step by what went wrong, a level in a mechanic's words, all bleeds as such, else the name."""
    if row["subject_kind"] == "step":
        return missed_title(report, row["subject"])
    if row["subject_kind"] == "all":
        several = report.log.sessions.get_column("shop").drop_nulls().n_unique() > 1
        return "All workshops together" if several else "The workshop as a whole"
    return level_label(row["subject"]) if row["subject_kind"] in KINDS_WITH_LEVELS else row["subject"]


def _subject_phrase(report: Report, row: dict[str, Any]) -> str:
    """The subject as a sentence names it: `external hoses`."""
    if row["subject_kind"] in KINDS_WITH_LEVELS:
        return group_phrase(row["subject_kind"], row["subject"])
    name = _subject_name(report, row)
    return f"the change at {name}" if row["kind"] == "change_named" else name


def prediction_points(report: Report) -> list[str]:
    """All rounds together, and this round's check list."""
    together = report.predictions.filter(pl.col("round").is_null())
    points = []
    for row in together.filter(pl.col("group") == "all").iter_rows(named=True):
        rounds = row["look"]
        span = f"over {rounds} audits" if rounds > 1 else f"after {date_text(row['from_day'])}"
        verdict = {"high": " More came back than predicted.", "low": " Fewer came back than predicted."}.get(
            row["signal"], ""
        )
        ratio = ""
        if row["ratio"] is not None:
            ratio = f" Observed/predicted {estimate(row['ratio'], row['ratio_lo'], row['ratio_hi'])}, {quantity(row['bleeds'], 'bleed')}."
        points.append(
            f"The model predicted {row['expected']:.1f} comebacks {span}; there were {row['observed']}.{verdict}{ratio}"
        )
    for row in together.filter(pl.col("group") == "check list").iter_rows(named=True):
        points.append(
            f"Bleeds on the second-check list: {row['bleeds']:,}. Before any check, {row['observed']} came back "
            f"({row['expected']:.1f} predicted); checks found {quantity(row['faults_found'], 'fault')}."
        )
    return points


def _action_points(report: Report) -> list[str]:
    """What became of recalls and second checks."""
    return [_actions_finding(report).text, *_not_reached_points(report)] if report.action_results.height else []


def _not_reached_points(report: Report) -> list[str]:
    """How many owners were not reached whose brake is still to recall or to measure."""
    still_open = _open_recalls_not_reached(report)
    if still_open.is_empty():
        return []
    return [
        f"{quantity(still_open.height, 'owner')} we could not reach still {'has' if still_open.height == 1 else 'have'} a brake on the list: call again."
    ]


def _owners_to_reach_points(report: Report) -> list[str]:
    still_open = _open_recalls_not_reached(report)
    listed = [
        f"{bike} (job {job})" for bike, job in still_open.head(MAX_LISTED).select("bike_id", "session_id").iter_rows()
    ]
    rest = still_open.height - len(listed)
    if rest:
        listed.append(f"{rest} more")
    return [f"Owners still to reach: {join_words(listed)}."] if listed else []


def _open_recalls_not_reached(report: Report) -> pl.DataFrame:
    """Open recalls whose owners were called about the same job, or about the brake without naming a job, and not reached."""
    not_reached = report.log.actions.filter(pl.col("kind") == "recall", pl.col("outcome") == "not_reached")
    calls = not_reached.select("bike_id", "brake", job="session_id").unique()
    called = open_recalls(report).join(calls, on=["bike_id", "brake"], how="inner", maintain_order="left")
    same_job = called.filter(pl.col("job").is_null() | (pl.col("job") == pl.col("session_id")))
    return same_job.unique("session_id", keep="first", maintain_order=True)


def _actions_finding(report: Report) -> Finding:
    parts = []
    for kind, noun in (("recall", "recall"), ("second_check", "second check")):
        rows = report.action_results.filter(pl.col("measure").str.starts_with(f"{kind}: "), pl.col("number") > 0)
        outcomes = [
            f"{OUTCOME_LABELS[measure.partition(': ')[2]]} {n}"
            for measure, n in rows.select("measure", "number").iter_rows()
        ]
        if outcomes:
            parts.append(f"Outcomes of {quantity(rows.item(0, 'total'), noun)} reported: {', '.join(outcomes)}")
    return Finding(". ".join(parts) + "." if parts else "No outcome has been reported yet.")


def _share_found_points(report: Report) -> tuple[str, ...]:
    """The share of faults that checks find, with its interval and whether it is used."""
    for row in report.action_results.filter(pl.col("measure") == SHARE_FOUND).iter_rows(named=True):
        counts = f"Checks found {row['number']} of {quantity(row['total'], 'known fault')}"
        share = "" if row["value"] is None else f", {percent(row['value'])} ({percent_range(row['lo'], row['hi'])})"
        return (
            f"{counts}{share}; {row['note']}. Not every fault found would have come back, so this is an upper bound.",
        )
    return ()


def _note_with_step_title(report: Report, note: str | None) -> str | None:
    """The note with its step by what went wrong."""
    words, mark, step = (note or "").rpartition("step that changed with it: ")
    return f"{words}{mark}“{missed_title(report, step)}”" if mark else note


def _change_label() -> pl.Expr:
    """The change in words; a recall for a long travel alone begins with measuring again."""
    rule = pl.when(pl.col("kind") == "recall_opened").then("state_now").otherwise("state_before")
    is_recall = pl.col("kind").is_in(["recall_opened", "recall_closed"])
    label = pl.col("kind").replace(CHANGE_LABELS)
    return (
        pl.when(is_recall & (rule == "long_travel"))
        .then(label.str.replace("recall", "re-measurement"))
        .otherwise(label)
    )


def _changes_table(report: Report) -> pl.DataFrame:
    """The changes with readers' words."""
    rows = [_subject_name(report, row) for row in report.changes.iter_rows(named=True)]
    kinds = [SUBJECT_LABELS.get(kind, field_label(kind)) for kind in report.changes.get_column("subject_kind")]
    words = SIGNAL_LABELS | VERDICT_LABELS | OUTCOME_LABELS | CLOSING_LABELS | HOLD_LABELS
    states = report.changes.select("kind", "state_now").iter_rows()
    state_now = [month_name(state) if kind == "change_named" else words.get(state, state) for kind, state in states]
    about = [f"{kind}: {name}" if kind != "all" else name for kind, name in zip(kinds, rows, strict=True)]
    return report.changes.with_columns(
        pl.col("state_before").replace(words),
        state_now=pl.Series(state_now, dtype=pl.String),
        label=_change_label(),
        note=pl.Series(
            [_note_with_step_title(report, note) for note in report.changes.get_column("note")], dtype=pl.String
        ),
        about=pl.Series(about, dtype=pl.String),
    )
