"""The page of a gauge study: can the reading be trusted, where its spread comes from, what the noise costs."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.charts import gauge_bars, gauge_marks
from analysis.pages import words
from analysis.pages.blocks import Question, drawn, page_table
from analysis.pages.render import Page, rendered
from schemas.log import Readings
from schemas.outputs import Gauge, GaugeNoise

REPEAT_LIMIT = 2.77
"""1.96 × √2: two readings differ by less 95 times in 100 (the accuracy standard ISO 5725-6 calls it 2.8; from memory)."""
CLEAR_P = 0.05
SOURCES = {
    "repeatability": "one technician, one item, again (repeatability)",
    "reproducibility": "between technicians (reproducibility)",
    "gauge": "measuring in all (the two together)",
    "interaction": "of it: technicians differing from item to item",
    "items": "between the items themselves",
    "total": "all together",
}


@dataclass(frozen=True)
class GaugeTold:
    """What the page and the terminal tell of a study; `heading` is what the file calls the reading."""

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
        return float(self.table.filter(pl.col("source") == source).get_column("sd").item())


def gauge_page(told: GaugeTold) -> Page:
    """The study as one page that opens without a network."""
    questions = [_trusted(told), _spread(told), _costs(told)]
    scope = gauge_scope(told) + (", names hidden" if told.names_hidden else "")
    title = f"Can “{told.heading}” be trusted?"
    text = rendered(
        "lone.html", None, here="gauge.html", title=title, questions=questions, scope=scope, notes=told.notes
    )
    return Page("gauge.html", text)


def gauge_ending(told: GaugeTold) -> list[str]:
    """The same in a few lines for the terminal."""
    return [gauge_scope(told) + ".", told.verdict, *_limits(told), _noise_sentence(told)]


def gauge_scope(told: GaugeTold) -> str:
    items, people = told.readings.n_unique("item"), told.readings.n_unique("technician")
    even = "equally often" if told.balanced else "not equally often"
    return (
        f"{words.count(told.readings.height, 'reading')} of {words.count(items, 'item')} by "
        f"{words.count(people, 'technician')}, {even}"
    )


def _trusted(told: GaugeTold) -> Question:
    return Question(
        id="trusted",
        question="Can one reading be trusted?",
        answer=told.verdict,
        points=tuple(_limits(told)),
        action=_action(told),
        charts=drawn(gauge_marks(told.readings, told.heading)),
        method=(
            "How to read the picture: every mark is one reading. Marks of one column far apart: the reading does not "
            "repeat. Columns of one item at different heights: technicians read differently. Items at different heights: "
            "what the reading is for. Under 10% of the spread from measuring is good, up to 30% may do (the measurement "
            "systems analysis manual, from memory)."
        ),
    )


def _spread(told: GaugeTold) -> Question:
    gauge, total = told.sd("gauge"), told.sd("total")
    share = f"{gauge / total:.0%} of the total" if total else "all there is"
    columns = {
        "source": "source",
        "sd": "standard deviation",
        "lo": "from",
        "hi": "to",
        "share_of_total": "of the total %",
    }
    if told.tolerance:
        columns["share_of_tolerance"] = "six of them, of the tolerance %"
    table = told.table.with_columns(pl.col("source").replace(SOURCES))
    return Question(
        id="spread",
        question="Where does the spread come from?",
        answer=f"Measuring in all: a standard deviation of {_interval(told, 'gauge')}, {share}.",
        points=(_sameness(told),),
        charts=drawn(gauge_bars(told.table)),
        table=page_table(table, "Standard deviation by source", columns, "tables/gauge.csv"),
        open_table=True,
        method=(
            "Analysis of variance with technicians and items by chance, their interaction left out where it is no larger "
            "than chance; readings not equally often by restricted maximum likelihood. Few technicians or items make wide "
            "limits: three technicians tell little of how technicians differ. Shares are of standard deviations and add "
            "up in squares."
        ),
    )  # fmt: skip


def _costs(told: GaugeTold) -> Question:
    return Question(
        id="noise",
        question="What does the noise cost whoever foretells comebacks from it?",
        answer=_noise_sentence(told),
        action="Where a second reading is cheap and keeps clearly more, write down the mean of two.",
        table=page_table(
            told.noise,
            "What a reading keeps, by how many one technician averages",
            {"readings": "readings averaged", "kept": "keeps %", "lo": "from %", "hi": "to %", "bleeds_times": "times the bleeds"},
            "tables/gauge_noise.csv",
        ),
        open_table=True,
        method=(
            "Noise flattens the line of risk along a reading; of what an exact reading would tell, the items' share of the "
            "variance is left, and one over it times the bleeds are needed to learn as much. It takes the items measured "
            "here for as different as the shop's own bleeds: measure ordinary work, not picked extremes."
        ),
    )  # fmt: skip


def _limits(told: GaugeTold) -> list[str]:
    same, other = (REPEAT_LIMIT * told.sd(source) for source in ("repeatability", "gauge"))
    lines = [
        f"95 times in 100, two readings of one item lie within {same:.2g} of each other by one technician, within "
        f"{other:.2g} by two."
    ]
    if told.tolerance:
        share = 6 * told.sd("gauge") / told.tolerance
        lines.append(f"Measuring takes up {share:.0%} of a tolerance {told.tolerance:g} wide.")
    return lines


def _action(told: GaugeTold) -> str:
    if told.sd("repeatability") >= told.sd("reproducibility"):
        return "Most of the noise is in one pair of hands: read twice, steady the gauge, write finer."
    return "Most of the noise is between technicians: measure one brake together and agree on one way to read it."


def _sameness(told: GaugeTold) -> str:
    if told.interaction_p is not None and told.interaction_p <= CLEAR_P:
        return (
            f"Technicians differ in another way from item to item, by more than chance (p = {told.interaction_p:.2g}): "
            "look at the items where their columns part."
        )
    return "Technicians differ alike on every item, as far as this study can tell."


def _noise_sentence(told: GaugeTold) -> str:
    rows = {row["readings"]: row for row in told.noise.iter_rows(named=True)}
    one, three = rows[1], rows[3]
    if not one["kept"]:
        return "The items differ no more than the readings of one: this reading tells nothing of comebacks."
    return (
        f"One reading keeps {words.share(one['kept'], one['lo'], one['hi'])} of what an exact one would tell of comebacks, "
        f"so it takes {one['bleeds_times']:.2f} times the bleeds to learn as much; the mean of three keeps "
        f"{three['kept']:.0%}."
    )


def _interval(told: GaugeTold, source: str) -> str:
    row = told.table.filter(pl.col("source") == source).row(0, named=True)
    return words.amount(row["sd"], row["lo"], row["hi"])
