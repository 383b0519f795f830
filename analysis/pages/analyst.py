"""The analyst's page: rows read, fields recorded, the risk model, sample sizes, validation, inputs and versions."""

from __future__ import annotations

from importlib import metadata
from typing import Any

import polars as pl

from analysis.charts import proof_dots, recorded_board
from analysis.output import LIBRARIES
from analysis.pages.analyst_comparison import comparison_questions
from analysis.pages.analyst_model import model_question
from analysis.pages.labels import TABLE_LABELS, field_labels, step_titles
from analysis.pages.question import Finding, Question, chart_specs, page_table
from analysis.pages.text import estimate, join_words, quantity
from analysis.pages.trainer_coaching import tested_patterns_text
from analysis.report import Report
from analysis.rounds import worthwhile_second_checks
from schemas import LOG_TABLES, field_entries, field_label
from schemas.field import Entry
from schemas.outputs import RULE_LABELS

RECORDED_ROLES = ("context", "technique", "sign")
LOSSES = {"row_set_aside": 0, "unlinked": 1, "value_blanked": 2, "duplicate": 3}
"""What was done with a row or value, the greatest loss first."""
FIELDS_ON_CHART, MAX_TECHNICIANS_ON_CHART = 15, 40


def analyst_questions(report: Report) -> list[Question]:
    """The analyst's questions, most urgent first, answered from the report."""
    first = [_row_question(report), _recording_question(report), model_question(report)]
    last = [_sample_size_question(report), _validation_question(report), _input_question(report)]
    return [*first, *comparison_questions(report), *last]


def analyst_links(report: Report) -> tuple[tuple[str, str], ...]:
    """Where other pages say who recorded unusually and which bleeds to check a second time: address and words."""
    people = report.credibility.filter("flag").n_unique("technician")
    checks = worthwhile_second_checks(report).height
    return (
        (
            "trainer.html#log",
            f"unusual recording patterns ({quantity(people, 'technician')})" if people else "tests of the records",
        ),
        ("lead.html#worklist", quantity(checks, "second check") if checks else "second checks"),
    )


def _row_question(report: Report) -> Question:
    columns = ("rows_read", "accepted", "set_aside", "duplicates", "unlinked", "values_blanked")
    total = {name: int(report.intake.get_column(name).sum()) for name in columns}
    answer = Finding(
        f"{quantity(total['rows_read'], 'row')} read, {total['accepted']:,} accepted.",
        f"{total['set_aside']:,} rejected, {quantity(total['duplicates'], 'exact duplicate')}, "
        f"{quantity(total['values_blanked'], 'value')} blanked, {quantity(total['unlinked'], 'return')} not matched to a bleed.",
    )
    reasons = _count_reasons(report)
    return Question(
        id="rows",
        question="Where did each row go?",
        answer=answer,
        figures=tuple(
            f"{file}: {rows_read:,} rows read, {accepted:,} accepted, {rejected:,} rejected, {quantity(copies, 'duplicate')}"
            for file, rows_read, accepted, rejected, copies in report.intake.select("file", *columns[:4]).iter_rows()
        ),
        points=("The map shows which heading was read as which field; “rebleed map” proposes one (map.toml).",),
        action="Correct the rows in set_aside_rows/ and import them again." if total["set_aside"] else "",
        table=page_table(
            reasons,
            "Reasons by table and field: rows rejected, returns not matched, values blanked, duplicates",
            {
                "n": "count", "table": "table", "column": "field", "rule": "reason", "action": "what was done",
                "example": "example", "file": "file", "first": "first row",
            },
            "tables/set_aside.csv",
        ),
        open_table=bool(reasons.height),
        method="Every row read is accepted, rejected or an exact duplicate of another; the sum is checked for each file.",
    )  # fmt: skip


def _count_reasons(report: Report) -> pl.DataFrame:
    """Reasons with their counts and an example, in the order of what they cost: rows, returns' bleeds, values, nothing."""
    keys = ("table", "column", "rule", "action")
    counts = report.set_aside.group_by(keys).agg(
        n=pl.len(), first=pl.col("row").min(), example=pl.col("value").drop_nulls().first(), file=pl.col("file").first()
    )
    lost = pl.col("action").replace_strict(LOSSES, default=len(LOSSES), return_dtype=pl.Int64)
    return counts.sort(
        lost, "n", *keys, descending=[False, True, *(False for _ in keys)], nulls_last=True
    ).with_columns(field_labels("column"), pl.col("table").replace(TABLE_LABELS), pl.col("rule").replace(RULE_LABELS))


def _recording_question(report: Report) -> Question:
    fields = [
        e for e in field_entries("sessions", LOG_TABLES["sessions"]) if e.role in RECORDED_ROLES and not e.required
    ]
    sessions = report.log.sessions
    overall = sessions.select(pl.col(e.name).is_not_null().mean() for e in fields).unpivot(
        variable_name="field", value_name="share"
    )
    recorded = overall.filter(pl.col("share") > 0).sort("share", "field")
    never = [field_label(name) for name in overall.filter(pl.col("share") == 0).get_column("field")]
    by_technician = _shares_recorded(sessions, fields)
    on_chart = by_technician.filter(pl.col("field").is_in(recorded.head(FIELDS_ON_CHART).get_column("field").to_list()))
    least = [
        f"{field_label(name)} ({share:.1%})" for name, share in recorded.filter(pl.col("share") < 1).head(3).iter_rows()
    ]
    return Question(
        id="recorded",
        question="What is recorded, and what is missing?",
        answer=Finding(
            f"{len(fields) - len(never)} of {quantity(len(fields), 'field')} are recorded in at least some bleeds.",
            f"The least complete are {join_words(least)}." if least else "Those are complete.",
        ),
        points=(
            *(
                (f"Not in this log: {join_words(never)}. If the export has a column for one, add it to the map.",)
                if never
                else ()
            ),
            tested_patterns_text(report),
            "A gauge study shows how good a reading is (lever travel, for example): “rebleed gauge READINGS --out DIR”.",
        ),
        action=f"A step that is not recorded counts as neither met nor missed. {_what_to_record(never, least)}",
        charts=chart_specs(recorded_board(on_chart.with_columns(field_labels("field"))))
        if sessions.n_unique("technician") <= MAX_TECHNICIANS_ON_CHART
        else (),
        table=page_table(
            by_technician.with_columns(field_labels("field")),
            "Share recorded",
            {"field": "field", "technician": "technician", "share": "recorded %", "bleeds": "bleeds"},
            "",
        ),
        method="The share of each technician's accepted bleeds in which the field is filled.",
    )


def _what_to_record(never: list[str], least: list[str]) -> str:
    if never:
        if len(never) == 1:
            return "First decide whether you need the missing field."
        return f"First decide which of the {len(never)} missing fields you need."
    return f"Start by getting {least[0].partition(' (')[0]} written down." if least else ""


def _shares_recorded(sessions: pl.DataFrame, fields: list[Entry]) -> pl.DataFrame:
    """Share recorded by field and technician, fields in the order of the log."""
    names = [e.name for e in fields]
    shares = sessions.group_by("technician").agg(
        *(pl.col(name).is_not_null().mean() for name in names), bleeds=pl.len()
    )
    table = shares.unpivot(on=names, index=["technician", "bleeds"], variable_name="field", value_name="share")
    order = pl.col("field").replace_strict({name: index for index, name in enumerate(names)})
    return table.with_columns(order=order).sort("order", "technician").drop("order")


def _sample_size_question(report: Report) -> Question:
    too_few = report.steps.filter(pl.col("verdict") == "too_few").get_column("step").to_list()
    titles = step_titles(report)
    points = [*report.needed[1:], "For one step: “rebleed plan step” gives the power to detect what a miss costs."]
    if too_few:
        points.append(
            f"Too few comebacks or misses to judge yet: {join_words([titles.get(step, step) for step in too_few])}."
        )
    return Question(
        id="needed",
        question="How much data is still needed?",
        answer=Finding(report.needed[0] if report.needed else "Too early to say: more bleeds must be followed first."),
        points=tuple(points),
        action="Decide what you need to know before deciding how long to wait. A trial can answer what a log cannot.",
        method="Textbook sample sizes at the shop's own rate (Wilson interval; two proportions, 80% power, 5% two-sided).",
    )


def _validation_question(report: Report) -> Question:
    question, proof = "Validation on simulated workshops", report.proof
    if proof is None or proof.is_empty():
        return Question(
            "proof",
            question,
            Finding("The intervals have not been validated for this run."),
            action=(
                "Run “rebleed prove --out DIR” (simulated workshops, audited and compared with their known truth), then audit "
                "again with “--proof DIR”."
            ),
        )
    with_target = proof.filter(pl.col("met").is_not_null())
    missed = with_target.filter(~pl.col("met"))
    sizes = join_words([f"{n:,}" for n in with_target.get_column("sessions").unique().sort()])
    most = max(with_target.get_column("workshops").to_list(), default=0)
    return Question(
        id="proof",
        question=question,
        answer=Finding(
            f"{with_target.height - missed.height} of {quantity(with_target.height, 'target')} reached.",
            f"Simulated workshops of {sizes} bleeds; up to {quantity(most, 'workshop')} for each figure.",
        ),
        points=tuple(_missed_target_text(row) for row in missed.head(12).iter_rows(named=True)),
        action="Read the rows closest to the size of this log; do not rely on figures that missed their target.",
        charts=chart_specs(proof_dots(proof)),
        table=page_table(
            proof,
            "Measures",
            {
                "measure": "measure", "sessions": "bleeds in each", "workshops": "workshops", "value": "value", "lo": "95% low",
                "hi": "95% high", "aim": "target", "met": "reached",
            },
            "tables/prove.csv",
        ),
        method=(
            "Simulated workshops with known truth, audited like any other, with seeds fixed in advance. A target counts as "
            "reached where the 95% interval overlaps it."
        ),
    )  # fmt: skip


def _missed_target_text(row: dict[str, Any]) -> str:
    value = estimate(row["value"], row["lo"], row["hi"])
    return f"Not reached: {row['measure']} at {row['sessions']:,} bleeds: {value}, target {row['aim']}."


def _input_question(report: Report) -> Question:
    sources = pl.DataFrame(
        [(source.file, source.rows_read, source.sha256 or "a database") for source in report.log.sources],
        schema=["file", "rows", "sha256"],
        orient="row",
    )
    versions = [f"{name} {metadata.version(name)}" for name in LIBRARIES]
    return Question(
        id="inputs",
        question="Data and versions",
        answer=Finding(
            f"{quantity(sources.height, 'input')}, up to {report.as_of}.",
            f"Window {report.window_days} days, seed {report.seed}, rebleed {metadata.version('rebleed')}.",
        ),
        points=(", ".join(versions),),
        table=page_table(sources, "Inputs", {"file": "file", "rows": "rows read", "sha256": "sha256"}, "manifest.json"),
        method="The same inputs, settings and versions give the same tables.",
    )
