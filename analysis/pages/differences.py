"""Where and with whom it is really different, the same work compared with the same work."""

from __future__ import annotations

import polars as pl

from analysis.charts import rate_dots, ratio_dots
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.findings import KIND_WORDS, difference_sentence, signals
from analysis.report import Report

OF_THE_WORK = ("brake_model", "fluid", "job_reason", "brake", "hose_route")


def where(report: Report) -> Question:
    """Where and with whom it is really different."""
    kinds = [kind for kind in KIND_WORDS if report.rates.filter(pl.col("kind") == kind).get_column("rate").count()]
    fair = bool(report.rates.get_column("expected").count())
    charts = []
    for kind in kinds:
        own = report.rates.filter(pl.col("kind") == kind)
        compared = fair and kind in ("shop", "technician", "brake_model")
        draw = ratio_dots if compared else rate_dots
        charts.append(titled(draw(own, KIND_WORDS[kind]), f"by {KIND_WORDS[kind]}"))
    columns = {
        "kind": "kind", "group": "group", "mature": "followed", "comebacks": "came back", "rate": "rate %",
        "expected": "expected from the same work", "ratio": "came back / expected", "ratio_lo": "from", "ratio_hi": "to",
        "shrunk_rate": "shrunk rate %", "q_value": "q", "signal": "signal",
    }  # fmt: skip
    told = [
        f"{row['group']} ({KIND_WORDS[row['kind']]}): {row['comebacks']} of {words.count(row['mature'], 'bleed')} came back, "
        f"{'more' if row['signal'] == 'high' else 'fewer'} than the rest of the work explains."
        for row in signals(report, OF_THE_WORK).iter_rows(named=True)
    ]
    return Question(
        id="where",
        question="Where and with whom is it really different?",
        answer=difference_sentence(report),
        points=tuple(told),
        action=(
            "Talk to people about work, not about ranks: where intervals overlap there is no order to speak of. No league table."
        ),
        charts=drawn(*charts),
        table=page_table(report.rates.filter(pl.col("kind") != "all"), "Rates by group", columns, "tables/rates.csv"),
        method=(
            "Raw rates have Wilson intervals. Expected comebacks come from a model of the work alone, fitted without the "
            "group; exact Poisson limits on the ratio; a signal needs more than chance explains, after counting how many "
            "groups were compared, and weighs returns at any age."
        ),
    )
