"""The analyst's page: where each row went, what is recorded, how good the model is, what is needed, what went in."""

from __future__ import annotations

from importlib import metadata
from typing import Any

import polars as pl

from analysis.charts import proof_dots, recorded_board
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table
from analysis.pages.risk_model import risk_model
from analysis.pages.trade_words import RULE_WORDS, TABLE_WORDS, field_words, spoken
from analysis.report import Report
from schemas import LOG_TABLES, dictionary

RECORDED = ("context", "technique", "sign")
THINNEST = 15
"""Fields in the chart of what is recorded: the thinnest; all of them stand in its table."""
LIBRARIES = ("polars", "pandera", "numpy", "scipy", "scikit-learn", "altair", "skops")


def analyst_questions(report: Report) -> list[Question]:
    """The analyst's questions in order of urgency, answered from the report."""
    return [question(report) for question in (_rows, _recorded, risk_model, _needed, _proof, _inputs)]


def _rows(report: Report) -> Question:
    told = report.intake
    total = {
        name: int(told.get_column(name).sum())
        for name in ("rows_read", "accepted", "set_aside", "duplicates", "unlinked", "values_blanked")
    }
    reasons = (
        report.set_aside.group_by("table", "column", "rule", "action")
        .agg(
            n=pl.len(),
            first=pl.col("row").min(),
            example=pl.col("value").drop_nulls().first(),
            file=pl.col("file").first(),
        )
        .sort("n", "table", "column", "rule", "action", descending=[True, False, False, False, False], nulls_last=True)
        .with_columns(spoken("column"), pl.col("table").replace(TABLE_WORDS), pl.col("rule").replace(RULE_WORDS))
    )
    return Question(
        id="rows",
        question="Where did each row go?",
        answer=(
            f"{words.count(total['rows_read'], 'row')} read = {total['accepted']:,} accepted + {total['set_aside']:,} set "
            f"aside + {total['duplicates']:,} exact copies; {words.count(total['values_blanked'], 'value')} blanked in "
            f"accepted rows, {words.count(total['unlinked'], 'return')} without a bleed."
        ),
        points=tuple(
            f"{f}: {r:,} rows read, {a:,} accepted, {s:,} set aside, {d:,} copies" for f, r, a, s, d in told.select("file", "rows_read", "accepted", "set_aside", "duplicates").iter_rows()
        ),
        action="Mend the rows in set_aside_rows/ and feed them back; every reason stands in tables/set_aside.csv." if total["set_aside"] else "",
        table=page_table(
            reasons,
            "Reasons, commonest first",
            {"n": "times", "table": "table", "column": "field", "rule": "rule", "action": "what was done", "example": "for example", "file": "file", "first": "first row"},
            "tables/set_aside.csv",
        ),
        open_table=bool(reasons.height),
        method="Every row read is accepted, set aside or an exact copy of another, and the sum is checked file by file.",
    )  # fmt: skip


def _recorded(report: Report) -> Question:
    fields = [
        e for e in dictionary("sessions", LOG_TABLES["sessions"]) if e.role in RECORDED and e.name != "technician"
    ]
    sessions = report.log.sessions
    shares = sessions.group_by("technician").agg(
        *(pl.col(e.name).is_not_null().mean() for e in fields), bleeds=pl.len()
    )
    long = shares.unpivot(
        on=[e.name for e in fields], index=["technician", "bleeds"], variable_name="field", value_name="share"
    )
    order = {e.name: place for place, e in enumerate(fields)}
    long = long.with_columns(place=pl.col("field").replace_strict(order)).sort("place", "technician").drop("place")
    overall = sessions.select(pl.col(e.name).is_not_null().mean() for e in fields).unpivot(
        variable_name="field", value_name="share"
    )
    never = overall.filter(pl.col("share") == 0).get_column("field").to_list()
    thin = overall.filter(pl.col("share") > 0).sort("share", "field").head(3)
    least = [f"{field_words(f)} ({s:.0%})" for f, s in thin.iter_rows()]
    thinnest = overall.filter(pl.col("share") > 0).sort("share", "field").head(THINNEST).get_column("field").to_list()
    shown = long.filter(pl.col("field").is_in(thinnest)).with_columns(spoken("field"))
    return Question(
        id="recorded",
        question="What is recorded, and what is missing?",
        answer=(
            f"{len(fields) - len(never)} of {words.count(len(fields), 'field')} are recorded in some of the "
            f"{words.count(sessions.height, 'bleed')}; the thinnest are {words.listed(least)}."
        ),
        points=(f"Never recorded: {words.listed([field_words(f) for f in never])}.",) if never else (),
        action="A step that is not recorded is neither met nor missed: it tells nothing. Fill the thinnest field first.",
        charts=drawn(recorded_board(shown)) if sessions.n_unique("technician") <= 40 else (),
        table=page_table(long.with_columns(spoken("field")), "Share recorded", {"field": "field", "technician": "technician", "share": "recorded %", "bleeds": "bleeds"}, "log/sessions.parquet"),
        method="The share of each technician's accepted bleeds in which the field is filled.",
    )  # fmt: skip


def _needed(report: Report) -> Question:
    few = report.steps.filter(pl.col("verdict") == "too_few").get_column("title").to_list()
    points = [*report.needed[1:], *([f"Too few to tell yet: {words.listed(few)}."] if few else [])]
    return Question(
        id="needed",
        question="How much data is still needed?",
        answer=report.needed[0] if report.needed else "More bleeds must be followed before a size can be told.",
        points=tuple(points),
        action="Decide what must be known before deciding how long to wait; a trial settles what a log cannot.",
        method="Sizes from textbook formulas at the shop's own rate (Wilson interval; two rates, 80% power, 5% two-sided).",
    )


def _proof(report: Report) -> Question:
    question, proof = "Does the audit find the truth where the truth is known?", report.proof
    if proof is None or proof.is_empty():
        return Question(
            "proof",
            question,
            "No proof was given to this run: that the intervals hold the truth is said, not shown, on this page.",
            action=(
                "Make one with “rebleed prove --out DIR” (simulated workshops, audited and held against what is true of "
                "them), then audit again with “--proof DIR”."
            ),
        )
    told = proof.filter(pl.col("met").is_not_null())
    missed = told.filter(~pl.col("met"))
    sizes = words.listed([f"{n:,}" for n in told.get_column("sessions").unique().sort()])
    most = max(told.get_column("worlds").to_list(), default=0)
    return Question(
        id="proof",
        question=question,
        answer=(
            f"{told.height - missed.height} of {words.count(told.height, 'aim')} reached, within the interval, in simulated "
            f"workshops of {sizes} bleeds each, {words.count(most, 'workshop')} to a figure at most."
        ),
        points=tuple(_missed_aim(row) for row in missed.head(12).iter_rows(named=True)),
        action="Read the rows closest to this log's size; distrust the figures whose aim was missed.",
        charts=drawn(proof_dots(proof)),
        table=page_table(
            proof,
            "Measures",
            {"measure": "measure", "sessions": "bleeds each", "worlds": "workshops", "value": "value", "lo": "from", "hi": "to", "aim": "aim", "met": "reached"},
            "tables/prove.csv",
        ),
        method="Workshops made up with known truth, audited like any other; seeds fixed in advance. An aim counts as reached where the interval reaches into it.",
    )  # fmt: skip


def _missed_aim(row: dict[str, Any]) -> str:
    value = words.amount(row["value"], row["lo"], row["hi"])
    return f"Not reached: {row['measure']} at {row['sessions']:,} bleeds: {value}, aim {row['aim']}."


def _inputs(report: Report) -> Question:
    sources = pl.DataFrame(
        [(s.file, s.rows_read, s.sha256 or "a database") for s in report.log.sources], schema=["file", "rows", "sha256"], orient="row"
    )  # fmt: skip
    versions = [f"{name} {metadata.version(name)}" for name in LIBRARIES]
    return Question(
        id="inputs",
        question="What went in, and with which versions?",
        answer=(
            f"{words.count(sources.height, 'input')}; as of {report.as_of}, window {report.window_days} days, seed {report.seed}, "
            f"rebleed {metadata.version('rebleed')}."
        ),
        points=(", ".join(versions),),
        table=page_table(sources, "Inputs", {"file": "file", "rows": "rows read", "sha256": "sha256"}, "manifest.json"),
        method="The same inputs, settings and versions give the same tables.",
    )
