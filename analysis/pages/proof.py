"""The page of a proof: does the audit find the truth where the truth is known?"""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.charts import proof_dots
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.render import Page, rendered
from schemas.outputs import Prove

COLUMNS = {"measure": "measure", "sessions": "bleeds", "worlds": "workshops", "value": "measured", "lo": "from",
           "hi": "to", "aim": "aim", "ceiling": "could be"}  # fmt: skip


def proof_page(table: DataFrame[Prove]) -> Page:
    """The proof as one page that opens without a network; nothing is computed from the table but words."""
    questions = [_answer(table), *(_sized(own, sessions) for sessions, own in _by_size(table))]
    scope = f"simulated workshops of {words.listed([f'{size:,}' for size, _ in _by_size(table)])} bleeds"
    text = rendered(
        "lone.html", None, here="prove.html", title="The audit held against known truth", questions=questions,
        scope=scope, notes=(),
    )  # fmt: skip
    return Page("prove.html", text)


def proof_ending(table: DataFrame[Prove]) -> list[str]:
    """The same in lines for the terminal, one a measure."""
    lines = []
    for row in table.filter(pl.col("value").is_not_null()).iter_rows(named=True):
        told = f"{row['value']:.3f} ({row['lo']:.3f} to {row['hi']:.3f})"
        aim = f"aim: {row['aim']}, {'reached' if row['met'] else 'SHORT OF IT'}" if row["aim"] else "no aim"
        lines.append(f"{row['measure']:<70} {told:<26} {aim}  [{words.count(row['worlds'], 'workshop')}]")
    return [*lines, _verdict(table)]


def _by_size(table: pl.DataFrame) -> list[tuple[int, pl.DataFrame]]:
    return [(size, table.filter(pl.col("sessions") == size)) for size in table.get_column("sessions").unique().sort()]


def _verdict(table: pl.DataFrame) -> str:
    aimed = table.filter(pl.col("aim") != "", pl.col("met").is_not_null())
    met = int(aimed.get_column("met").sum())
    return f"{met} of {words.count(aimed.height, 'measure')} with an aim reach it with their 95% interval."


def _answer(table: pl.DataFrame) -> Question:
    short = table.filter(pl.col("aim") != "", ~pl.col("met"))
    points = [
        f"Short of its aim at {row['sessions']:,} bleeds: {row['measure']}, {row['value']:.3f} "
        f"({row['lo']:.3f} to {row['hi']:.3f}), aim {row['aim']}."
        for row in short.iter_rows(named=True)
    ]
    return Question(
        id="answer",
        question="Does the audit find the truth where the truth is known?",
        answer=_verdict(table),
        points=tuple(points),
        method=(
            "Every workshop was made up with effects that are known, written out as an export, read, audited like any "
            "other, and what the audit said was set beside what is true. Seeds were fixed beforehand. A simulated "
            "workshop is no real one: the proof tells whether the reckoning is right, not whether a shop's log is."
        ),
    )


def _sized(own: pl.DataFrame, sessions: int) -> Question:
    shares = own.filter("share")
    charts = drawn(titled(proof_dots(shares), "Shares beside their aims")) if shares.height else ()
    return Question(
        id=f"bleeds-{sessions}",
        question=f"Workshops of {sessions:,} bleeds",
        answer=_verdict(own),
        charts=charts,
        table=page_table(own, f"Measures at {sessions:,} bleeds", COLUMNS, "tables/prove.csv"),
        open_table=True,
        method=(
            "Shares have exact binomial limits, means normal ones. Intervals hold the truth when the truth lies inside; "
            "tau is Kendall's rank correlation between estimated and true order; the error is per 100 bleeds. "
            "The risk is told for the last 30% of the bleeds by a model of those before, and scored with the true risk as "
            "the expected outcome: its gain in log loss over a constant as a share of the true risk's own. 'Could be' is what "
            "one would reach who knew the world's parameters and read the same log; for the riskiest tenth, what the "
            "true risks themselves would catch."
        ),
    )
