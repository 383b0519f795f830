"""Where and with whom it is really different, the same work compared with the same work."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import rate_dots, ratio_board, ratio_dots
from analysis.pages import words
from analysis.pages.beside import return_ages, work_taken
from analysis.pages.blocks import Question, drawn, page_table, titled
from analysis.pages.findings import KIND_WORDS, LEAST_FOR_A_NAME, difference_sentence, signals
from analysis.pages.trade_words import groups_in_words, level_words
from analysis.report import Report

OF_THE_WORK = ("brake_model", "fluid", "job_reason", "brake", "hose_route")
MOST_TOLD = 8
CHOOSE = "Choose a technician or a model by a click or from its list: beside it stand the work they take, or when the returns came."


def where(report: Report) -> Question:
    """Where and with whom it is really different."""
    spoken = groups_in_words(report.rates)
    fair = bool(report.rates.get_column("expected").count())
    told = [
        f"{level_words(row['group'])} ({KIND_WORDS[row['kind']]}): {row['comebacks']} of {words.count(row['mature'], 'bleed')} "
        f"came back, {words.amount(row['ratio'], row['ratio_lo'], row['ratio_hi'])} times as many as the rest of the work "
        "explains."
        for row in signals(report, OF_THE_WORK).iter_rows(named=True)
    ]
    columns = {
        "kind": "kind", "group": "group", "mature": "followed", "comebacks": "came back", "rate": "rate %",
        "expected": "expected from the same work", "ratio": "came back / expected", "ratio_lo": "from", "ratio_hi": "to",
        "shrunk_rate": "shrunk rate %", "q_value": "q", "signal": "signal",
    }  # fmt: skip
    table = spoken.filter(pl.col("kind") != "all").with_columns(pl.col("kind").replace(KIND_WORDS))
    return Question(
        id="where",
        question="Where and with whom is it really different?",
        answer=difference_sentence(report),
        points=tuple(told if len(told) <= MOST_TOLD else [*told[:MOST_TOLD], f"And {len(told) - MOST_TOLD} more, in the table."]),
        action=(
            "Talk to people about work, not about ranks: where intervals overlap there is no order to speak of. No league table."
        ),
        hint=CHOOSE if fair else "",
        charts=drawn(*(_chart(report, spoken, kind, fair) for kind in KIND_WORDS if _known(spoken, kind))),
        table=page_table(table, "Rates by group", columns, "tables/rates.csv"),
        method=(
            "Raw rates have Wilson intervals. Expected comebacks come from a model of the work alone, fitted without the "
            "group; exact Poisson limits on the ratio; a signal needs more than chance explains, after counting how many "
            "groups were compared; it counts what the ratio counts."
        ),
    )  # fmt: skip


def _known(rates: pl.DataFrame, kind: str) -> bool:
    return bool(rates.filter(pl.col("kind") == kind).get_column("rate").count())


def _chart(report: Report, rates: pl.DataFrame, kind: str, fair: bool) -> Any:
    own, word = rates.filter(pl.col("kind") == kind), KIND_WORDS[kind]
    if not fair or kind not in ("shop", "technician", "brake_model") or not own.get_column("ratio_lo").count():
        return titled(rate_dots(own, word), f"by {word}")
    if kind == "technician":
        return titled(ratio_board(own, work_taken(report), word, "share of their bleeds", _first(own)), f"by {word}")
    if kind == "brake_model":
        return titled(ratio_board(own, return_ages(report), word, "share of its returns", _first(own)), f"by {word}")
    return titled(ratio_dots(own, word), f"by {word}")


def _first(own: pl.DataFrame) -> str | None:
    """Who is looked at first: the highest raw rate, whose work most needs to be seen."""
    found = own.filter(pl.col("mature") >= LEAST_FOR_A_NAME, pl.col("ratio_lo").is_not_null())
    names = found.sort("rate", "group", descending=[True, False]).get_column("group")
    return str(names[0]) if len(names) else None
