"""The page of a validation on simulated workshops: measures compared with their targets."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.charts import proof_dots
from analysis.pages.question import Finding, Question, chart_specs, page_table, with_title
from analysis.pages.render import Page, render_template
from analysis.pages.text import join_words, quantity
from schemas.outputs import Prove

COLUMNS = {
    "measure": "measure", "sessions": "bleeds", "workshops": "workshops", "value": "measured", "lo": "95% low", "hi": "95% high",
    "aim": "target", "upper_bound": "best achievable",
}  # fmt: skip


def proof_page(table: DataFrame[Prove]) -> Page:
    """The validation as one page that opens without a network; it computes nothing from the table."""
    sizes = _split_by_size(table)
    questions = [_overall_question(table), *(_size_question(own, sessions) for sessions, own in sizes)]
    scope = f"simulated workshops of {join_words([f'{size:,}' for size, _ in sizes])} bleeds"
    text = render_template(
        "lone.html", None, here="prove.html", title="Validation on simulated workshops", questions=questions, scope=scope,
        notes=(),
    )  # fmt: skip
    return Page("prove.html", text)


def proof_summary(table: DataFrame[Prove]) -> list[str]:
    """The same in lines for the terminal, one for each measure."""
    lines = []
    for row in table.filter(pl.col("value").is_not_null()).iter_rows(named=True):
        value = f"{row['value']:.3f} ({row['lo']:.3f} to {row['hi']:.3f})"
        target = f"target {row['aim']}: {'compatible' if row['met'] else 'MISSED'}" if row["aim"] else "no target"
        lines.append(f"{row['measure']:<70} {value:<26} {target}  [{quantity(row['workshops'], 'workshop')}]")
    return [*lines, _targets_reached_text(table)]


def _split_by_size(table: pl.DataFrame) -> list[tuple[int, pl.DataFrame]]:
    return [(size, table.filter(pl.col("sessions") == size)) for size in table.get_column("sessions").unique().sort()]


def _targets_reached_text(table: pl.DataFrame) -> str:
    with_target = table.filter(pl.col("aim") != "", pl.col("met").is_not_null())
    reached = int(with_target.get_column("met").sum())
    return (
        f"{reached} of {quantity(with_target.height, 'measure')} with a target are compatible with it: the 95% interval reaches the "
        "target. Few workshops give wide intervals, which rule out little."
    )


def _overall_question(table: pl.DataFrame) -> Question:
    missed = table.filter(pl.col("aim") != "", ~pl.col("met"))
    points = [
        f"Missed at {row['sessions']:,} bleeds: {row['measure']}, {row['value']:.3f} "
        f"({row['lo']:.3f} to {row['hi']:.3f}), target {row['aim']}."
        for row in missed.iter_rows(named=True)
    ]
    return Question(
        id="answer",
        question="Does the audit find the known truth?",
        answer=Finding(_targets_reached_text(table)),
        points=tuple(points),
        method=(
            "Every workshop was simulated with known effects, written as an export, read and audited like any other, and the "
            "results were compared with the truth. Seeds were fixed in advance. A simulated workshop is not a real one: this "
            "shows whether the calculations are right, not whether a shop's log is."
        ),
    )


def _size_question(own: pl.DataFrame, sessions: int) -> Question:
    shares = own.filter("share")
    charts = chart_specs(with_title(proof_dots(shares), "Shares against their targets")) if shares.height else ()
    return Question(
        id=f"bleeds-{sessions}",
        question=f"Workshops of {sessions:,} bleeds",
        answer=Finding(_targets_reached_text(own)),
        charts=charts,
        table=page_table(own, f"Measures at {sessions:,} bleeds", COLUMNS, "tables/prove.csv"),
        open_table=True,
        method=(
            "Shares have exact (Clopper–Pearson) binomial intervals, means normal ones. Coverage is the share of intervals that contain the truth; "
            "tau is Kendall's rank correlation between estimated and true order; errors are per 100 bleeds. Risks of the last 30% "
            "of bleeds are predicted by a model fitted to those before, and scored against the true risk: the reduction in log loss "
            "below a constant risk's, as a share of the true risk's own reduction. Best achievable is what someone who knew the simulation's "
            "parameters and read the same log would reach; for the riskiest tenth, what the true risks would cover."
        ),
    )
