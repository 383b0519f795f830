"""What a chart draws: a report, one of its tables as written, or rows of one; a mixed or foreign table is refused."""

from __future__ import annotations

import polars as pl

from analysis.errors import UserError
from analysis.report import Report

Source = Report | pl.DataFrame
BASELINE_LABELS = {
    "constant": "the comeback rate known by then",
    "default trees": "gradient-boosted trees (default settings)",
    "lever travel": "lever travel alone",
    "missed steps": "a count of missed steps",
}
"""Simple rules that the risk model must beat, in words, by the name the model's table has for them."""
RECALL_STATE, MEASURE_STATE, CLOSED_STATE = "to recall", "to measure again", "closed since"
HOLD_STATES = (RECALL_STATE, MEASURE_STATE, CLOSED_STATE)
HOLD_COLUMNS = ("day", "hold", "session_id", "shop", "state")
DECILE, QUARTER = "observed_in_tenth_", "quarter_"
HOLD_LABELS = {
    "wrong_fluid": "wrong fluid",
    "wrong_kit": "bled with a kit used for the other fluid (mineral/DOT)",
    "not_firm": "went out with a soft lever",
    "leak": "went out leaking",
    "long_travel": "lever travel much too long",
}


def table_from_source(source: Source, name: str) -> pl.DataFrame:
    """The table `name` of a report, or the table given; steps of a report are named by what went wrong.

    Raises
    ------
    UserError
        It is neither a report nor a table.
    """
    if isinstance(source, Report):
        table: pl.DataFrame = getattr(source, name)
        if "step" not in table.columns:
            return table
        return table.with_columns(title=pl.col("step").replace(source.standard.missed_titles))
    if not isinstance(source, pl.DataFrame):
        expected = f"a report or its table {name}"
        raise UserError("the chart", f"was given a {type(source).__name__}", expected, f"give report.{name}")
    if "step" in source.columns and "title" not in source.columns:
        return source.with_columns(title="step")
    return source


def with_columns(table: pl.DataFrame, columns: tuple[str, ...], instead: str) -> pl.DataFrame:
    """The table, if it has these columns.

    Raises
    ------
    UserError
        It lacks one.
    """
    absent = [name for name in columns if name not in table.columns]
    if absent:
        raise UserError("the chart's table", f"has no column {', '.join(absent)}", instead, f"give {instead}")
    return table


def require_one_group(table: pl.DataFrame, columns: tuple[str, ...], name: str) -> pl.DataFrame:
    """The table, if all rows are of one group.

    Raises
    ------
    UserError
        It mixes several, which one line would join.
    """
    groups = table.select(columns).unique(maintain_order=True)
    if groups.height > 1:
        listed = "; ".join(" ".join(map(str, row)) for row in groups.head(4).iter_rows())
        rows = ", ".join(f'{column}="{groups[column][0]}"' for column in columns)
        raise UserError(
            "the chart's table",
            f"mixes {groups.height} groups ({listed}{' …' if groups.height > 4 else ''})",
            "the rows of one group",
            f"filter it, for example report.{name}.filter({rows})",
        )
    return table


def auc_rows(model: pl.DataFrame) -> pl.DataFrame:
    """The AUC of the model, then of the simple rules, best first: rule, value, lo, hi. A constant risk ranks nothing."""
    compared = model.filter(pl.col("metric") == "auc", pl.col("value").is_not_null(), pl.col("baseline").is_not_null())
    own = compared.head(1).select(pl.lit("this model").alias("rule"), "value", "lo", "hi")
    compared = compared.filter(pl.col("baseline_name") != "constant")
    none = pl.lit(None, pl.Float64)
    names = pl.col("baseline_name").replace(BASELINE_LABELS)
    rules = compared.select(rule=names, value="baseline", lo=none, hi=none)
    return pl.concat([own, rules.sort("value", "rule", descending=[True, False])])


def decile_rows(model: pl.DataFrame) -> pl.DataFrame:
    """Each tenth of the risks: predicted, observed, lo, hi."""
    deciles = model.filter(pl.col("metric").str.starts_with(DECILE)).sort("metric")
    return deciles.select("lo", "hi", predicted="baseline", observed="value")


def quarter_rows(model: pl.DataFrame) -> pl.DataFrame:
    """Observed over predicted comebacks by quarter: quarter, value, lo, hi."""
    own = model.filter(pl.col("metric").str.starts_with(QUARTER), pl.col("value").is_not_null())
    quarter = pl.col("metric").str.strip_prefix(QUARTER).str.replace("-", " ")
    return own.select("value", "lo", "hi", quarter=quarter).sort("quarter")


def hold_rows(report: Report) -> pl.DataFrame:
    """Every bleed that broke a safety rule: session_id, hold (in words), day, shop, state; bike_id and brake."""
    bleeds = report.log.sessions.select("session_id", "bike_id", "brake", "shop", day=pl.col("started_at").dt.date())
    holds = report.holds.join(bleeds, on="session_id", how="left", maintain_order="left")
    certain = (pl.col("open") & (pl.col("rule") != "long_travel")).any().over("bike_id", "brake")
    to_do = pl.when(certain).then(pl.lit(RECALL_STATE)).otherwise(pl.lit(MEASURE_STATE))
    state = pl.when("open").then(to_do).otherwise(pl.lit(CLOSED_STATE))
    hold = pl.col("rule").replace(HOLD_LABELS)
    return holds.select("session_id", "day", "shop", "bike_id", "brake", hold=hold, state=state)


def hold_counts_text(holds: pl.DataFrame) -> str:
    """`90 bleeds in all; 11 brakes to recall, 12 to measure again`; bleeds where the brakes are not known."""
    unit = ["bike_id", "brake"] if "brake" in holds.columns else ["session_id"]
    counts = [holds.filter(pl.col("state") == state).select(unit).n_unique() for state in (RECALL_STATE, MEASURE_STATE)]
    noun = "brakes" if len(unit) > 1 else "bleeds"
    total = holds.get_column("session_id").n_unique()
    return f"{total} bleeds in all; {counts[0]} {noun} {RECALL_STATE}, {counts[1]} {MEASURE_STATE}"


def worklist_rows(report: Report) -> pl.DataFrame:
    """The bleeds to check a second time, highest risk first, with their bike and brake."""
    bleeds = report.log.sessions.select("session_id", "bike_id", "brake")
    listed = report.risk.filter("on_worklist").sort("risk", "session_id", descending=[True, False])
    return listed.join(bleeds, on="session_id", how="left", maintain_order="left")


def coaching_rows(coaching: pl.DataFrame) -> pl.DataFrame:
    """Coaching sessions with a column `label`: who, what and when."""
    return coaching.with_columns(
        label=pl.format("{}: {} ({})", "technician", "title", pl.col("coached_on").cast(pl.String))
    )
