"""The page of a gauge study: can the reading be trusted, where its spread comes from, what measurement error costs."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.charts import gauge_bars, gauge_marks
from analysis.pages.question import Finding, Question, chart_specs, page_table
from analysis.pages.render import Page, render_template
from analysis.pages.text import estimate, percent_interval, quantity
from schemas.log import Readings
from schemas.outputs import Gauge, GaugeNoise

REPEATABILITY_FACTOR = 2.77
"""1.96 × √2: 95% of differences between two readings are smaller (ISO 5725-6 uses 2.8; from memory)."""
SIGNIFICANCE = 0.05
SOURCE_LABELS = {
    "repeatability": "repeatability (same technician, same item)",
    "reproducibility": "reproducibility (between technicians)",
    "gauge": "total gauge R&R (all measurement error)",
    "interaction": "of which technician-by-item interaction",
    "items": "part-to-part (real differences between items)",
    "total": "total",
}


@dataclass(frozen=True)
class GaugeResult:
    """A gauge study as the page and the terminal show it; `heading` is the reading's heading in the file."""

    readings: DataFrame[Readings]
    table: DataFrame[Gauge]
    noise: DataFrame[GaugeNoise]
    verdict: str
    interaction_p: float | None
    balanced: bool
    heading: str
    tolerance: float | None
    notes: tuple[str, ...] = ()
    names_hidden: bool = False

    def sd(self, source: str) -> float:
        """Standard deviation of a source of spread, in the reading's unit."""
        return float(self.table.filter(pl.col("source") == source).get_column("sd").item())


def gauge_page(result: GaugeResult) -> Page:
    """The study as one page that opens without a network."""
    questions = [_trust_question(result), _spread_question(result), _noise_question(result)]
    scope = gauge_scope(result) + (", names hidden" if result.names_hidden else "")
    title = f"How far can you trust “{result.heading}”?"
    text = render_template(
        "lone.html", None, here="gauge.html", title=title, questions=questions, scope=scope, notes=result.notes
    )
    return Page("gauge.html", text)


def gauge_summary(result: GaugeResult) -> list[str]:
    """The same in a few lines for the terminal."""
    noise = _noise_finding(result)
    return [f"{gauge_scope(result)}.", result.verdict, *_limit_points(result), f"{noise.text} {noise.detail}".strip()]


def gauge_scope(result: GaugeResult) -> str:
    """`90 readings of 10 items by 3 technicians, equally often`."""
    items, people = result.readings.n_unique("item"), result.readings.n_unique("technician")
    balance = "the same number of readings each" if result.balanced else "not the same number of readings each"
    return (
        f"{quantity(result.readings.height, 'reading')} of {quantity(items, 'item')} by "
        f"{quantity(people, 'technician')}, {balance}"
    )


def _trust_question(result: GaugeResult) -> Question:
    return Question(
        id="trusted",
        question="Can one reading be trusted?",
        answer=Finding(result.verdict),
        points=tuple(_limit_points(result)),
        action=_action_text(result),
        charts=chart_specs(gauge_marks(result.readings, result.heading)),
        method=(
            "Every mark is one reading. Marks spread within a column: poor repeatability. Columns of one item at different heights: "
            "technicians read differently. Differences between items are what you want to see. Measurement "
            "error under 10% of the spread is good, up to 30% may be acceptable (measurement systems analysis manual; from "
            "memory)."
        ),
    )


def _spread_question(result: GaugeResult) -> Question:
    gauge, total = result.sd("gauge"), result.sd("total")
    row = result.table.filter(pl.col("source") == "gauge").row(0, named=True)
    share = f"{gauge / total:.1%} of the study variation" if total else "the whole spread"
    columns = {
        "source": "source", "sd": "standard deviation", "lo": "95% low", "hi": "95% high", "share_of_total": "study variation %",
    }  # fmt: skip
    if result.tolerance:
        columns["share_of_tolerance"] = "precision-to-tolerance ratio (6 SD / tolerance) %"
    return Question(
        id="spread",
        question="Where does the spread come from?",
        answer=Finding(
            f"Measurement error is {share}.",
            f"Standard deviation {estimate(row['sd'], row['lo'], row['hi'])}. {_interaction_text(result)}",
        ),
        charts=chart_specs(gauge_bars(result.table)),
        table=page_table(
            result.table.with_columns(pl.col("source").replace(SOURCE_LABELS)),
            "Standard deviation by source",
            columns,
            "tables/gauge.csv",
        ),
        open_table=True,
        method=(
            "Analysis of variance with random technicians and items; their interaction is left out where it is no larger than "
            "chance. Unbalanced studies: restricted maximum likelihood. With few technicians or items the intervals are wide. These "
            "are shares of standard deviations: it is their squares that add up to 100%."
        ),
    )


def _noise_question(result: GaugeResult) -> Question:
    return Question(
        id="noise",
        question="How much does measurement error weaken predictions?",
        answer=_noise_finding(result),
        action="If a second reading is quick and clearly helps, write down the mean of two.",
        table=page_table(
            result.noise,
            "Reliability by the number of readings one technician averages",
            {
                "readings": "readings averaged", "reliability": "reliability %", "lo": "95% low %", "hi": "95% high %",
                "sample_size_ratio": "bleeds needed (multiple)",
            },
            "tables/gauge_noise.csv",
        ),
        open_table=True,
        method=(
            "Measurement error flattens the relation between a reading and the risk of a comeback (attenuation): the items' share "
            "of the variance remains, and the number of bleeds needed is multiplied by one over that share. This assumes that the items "
            "measured vary as the shop's own bleeds do: measure ordinary work, not selected extremes."
        ),
    )  # fmt: skip


def _limit_points(result: GaugeResult) -> list[str]:
    same, other = (REPEATABILITY_FACTOR * result.sd(source) for source in ("repeatability", "gauge"))
    lines = [f"Repeatability limit {same:.2g} (same technician), reproducibility limit {other:.2g} (two technicians)."]
    if result.tolerance:
        share = 6 * result.sd("gauge") / result.tolerance
        lines.append(f"Measurement error takes up {share:.0%} of the tolerance of {result.tolerance:g}.")
    return lines


def _action_text(result: GaugeResult) -> str:
    if result.sd("repeatability") >= result.sd("reproducibility"):
        return "Most of the error is within one technician's readings: read twice, clamp the gauge, and record one more decimal."
    return "Most of the error is between technicians: measure one brake together and agree on one way to read it."


def _interaction_text(result: GaugeResult) -> str:
    if result.interaction_p is None:
        return "Technician-by-item interaction could not be tested."
    if result.interaction_p <= SIGNIFICANCE:
        return f"Technician-by-item interaction (p = {result.interaction_p:.2g}): look at the items where the columns differ."
    return f"No clear technician-by-item interaction (p = {result.interaction_p:.2g})."


def _noise_finding(result: GaugeResult) -> Finding:
    rows = {row["readings"]: row for row in result.noise.iter_rows(named=True)}
    one, three = rows[1], rows[3]
    if not one["reliability"]:
        return Finding(
            "The items differ no more than repeated readings of one item: this reading cannot predict comebacks."
        )
    return Finding(
        f"For comparing many bleeds, one reading carries {one['reliability']:.0%} of the information of a perfect one; the mean "
        f"of three carries {three['reliability']:.0%}.",
        f"Reliability of one reading {percent_interval(one['reliability'], one['lo'], one['hi'])}; so you need "
        f"{one['sample_size_ratio']:.2f} times as many bleeds as with a perfect one.",
    )
