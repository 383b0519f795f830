"""The contents of a column: dates, numbers, words for the levels of a field in six languages, and how many are distinct."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import polars as pl

from analysis.intake.convert.cleaned_text import FALSE, TRUE, folded, normalise_level, recorded_text, tokens
from analysis.intake.convert.dates import parse_datetimes
from analysis.intake.convert.numbers import Unit, unit_for
from analysis.intake.propose.headings import abbreviation_score
from analysis.intake.propose.vocabulary import is_out_of_scope, level_lexicon, negations, pairs, says_not_recorded
from schemas import Entry

MIN_ABBREVIATION_SCORE = 0.6
_OF_FOUR_WHEELS = ("fr", "rr")
"""Front right and rear right where the column has words for the left too; otherwise front and rear."""
FLUID_FIELDS = ("fluid_required", "fluid_used", "kit_fluid")
SAMPLE = 3000
"""Cells of a column that are looked at."""
IDENTIFYING_SHARE, IDENTIFYING_LEVELS = 0.9, 3
"""Share of known words, and levels they mean, from which the words alone identify a field."""
OTHER_UNITS = ("cm", "m", "in", "fl_oz", "in_lb", "f", "percent", "s", "h")
FAR_OFF, ABOUT = 3.5, 1.8
"""Factors above or below a usual reading: beyond the first the unit is doubtful, within the second another unit is
proposed (common practice, no source)."""
_NUMBER = r"^[+-]?[\d\s.,'’\u00a0\u202f]*\d[\d\s.,'’\u00a0\u202f]*(?:\D{0,6})$"


def word_levels(words: Sequence[str], entry: Entry) -> dict[str, str]:
    """The level of each known word of a column; V and A mean front and rear only if both occur."""
    if entry.name == "brake" and any(map(is_out_of_scope, words)):
        words = [word for word in words if not is_out_of_scope(word) and folded(word) not in _OF_FOUR_WHEELS]
    plain = {folded(word).strip(". "): word for word in words}
    for pair in pairs(entry.name):
        if set(plain) == set(pair):
            return {plain[word]: level for word, level in zip(pair, entry.levels, strict=True)}
    levels = ((word, word_level(word, entry)) for word in words)
    return {word: level for word, level in levels if level is not None}


def word_level(word: str, entry: Entry) -> str | None:
    """The level a word means; None if it is unknown."""
    key = normalise_level(word)
    own = {normalise_level(level): level for level in entry.levels}
    if entry.type == "true/false":
        own = {
            **dict.fromkeys(map(normalise_level, TRUE), "true"),
            **dict.fromkeys(map(normalise_level, FALSE), "false"),
        }
    if key in own:
        return own[key]
    names = ["fluid"] if entry.name in FLUID_FIELDS else [entry.name]
    names += ["yes_no"] if entry.type == "true/false" else []
    return next((level for name in names if (level := _look_up_level(word, name)) is not None), None)


def guess_levels_of_phrases(words: Sequence[str], entry: Entry) -> list[tuple[str, str]]:
    """Unknown phrases of a yes/no column, each with the level that one of its words means."""
    if entry.type != "true/false":
        return []
    names = (entry.name, "yes_no")
    own = {normalise_level(word) for word in (*TRUE, *FALSE)}
    return [
        (word, level)
        for word, level in word_levels(words, entry).items()
        if normalise_level(word) not in own and not any(_level_of_phrase(word, name) for name in names)
    ]


def _level_of_phrase(word: str, name: str) -> str | None:
    """The level that a phrase as a whole means."""
    phrase, meanings = " ".join(tokens(word)) or word.strip(), level_lexicon(name).meanings
    spelled = next((s for s in (phrase, phrase.replace(" ", ""), word.strip()) if s in meanings), None)
    return None if spelled is None else next(iter(meanings[spelled]))


@cache
def _look_up_level(word: str, name: str) -> str | None:
    lexicon = level_lexicon(name)
    phrase = " ".join(tokens(word)) or word.strip()
    whole = _level_of_phrase(word, name)
    if whole is not None or negations() & set(phrase.split()):
        return whole
    inside = [
        (len(part), level)
        for part, levels in lexicon.meanings.items()
        if len(part) > 2 and part not in lexicon.alone and f" {part}" in f" {phrase}"
        for level in levels
    ]
    if inside:
        return max(inside)[1]
    return _level_of_abbreviation(phrase, name) if phrase.isalpha() and 2 < len(phrase) < 7 else None


def _level_of_abbreviation(word: str, name: str) -> str | None:
    """The one level an abbreviation may mean (DRK is dark); None if two are equally likely."""
    scores: dict[str, float] = {}
    for whole, levels in level_lexicon(name).meanings.items():
        if len(whole) > len(word):
            for level in levels:
                scores[level] = max(scores.get(level, 0.0), abbreviation_score(word, whole))
    ranked = sorted(scores.items(), key=lambda pair: -pair[1])
    if not ranked or ranked[0][1] < MIN_ABBREVIATION_SCORE or (len(ranked) > 1 and ranked[1][1] >= ranked[0][1]):
        return None
    return ranked[0][0]


@dataclass(frozen=True)
class ColumnProfile:
    """A sample of a column: its texts, the distinct ones by frequency, the share of dates, and the numbers.

    `missing` are its words for 'not recorded', which are not among the texts; `cells` is the whole column.
    """

    heading: str
    texts: pl.Series
    distinct: tuple[str, ...]
    dates: float
    numbers: pl.Series
    missing: tuple[str, ...]
    cells: pl.Series

    @property
    def rows(self) -> int:
        """Rows of the file."""
        return len(self.cells)

    @cached_property
    def counts(self) -> dict[str, int]:
        """How many cells of the whole column hold each text, the most frequent first; without 'not recorded'."""
        texts = recorded_text(self.cells, self.missing).drop_nulls().rename("text")
        in_order = texts.value_counts().sort("count", "text", descending=[True, False])
        return dict(in_order.iter_rows())

    @property
    def numeric_share(self) -> float:
        return self.numbers.count() / len(self.texts) if len(self.texts) else 0.0

    @property
    def distinct_share(self) -> float:
        """Distinct texts over texts: 1 for IDs, almost 0 for a few words."""
        return len(self.distinct) / len(self.texts) if len(self.texts) else 0.0


def column_profile(heading: str, cells: pl.Series, decimal: str) -> ColumnProfile:
    """Profile a column from at most 3,000 cells spread over it; `decimal` is the file's decimal mark."""
    text = cells.cast(pl.String).str.strip_chars()
    text = text.filter(text.is_not_null() & (text != ""))
    if len(text) > SAMPLE:
        text = text.gather_every(len(text) // SAMPLE + 1)
    counts = text.value_counts(sort=True)
    words = counts.get_column(counts.columns[0]).to_list()
    missing = tuple(word for word in words[:400] if says_not_recorded(word))
    usual = {"-", "–", "n/a", "na", "n.r.", "k.a.", "null", "none", "nan"}
    text = text.filter(~text.is_in(list(missing)) & ~text.str.to_lowercase().is_in(list(usual)))
    ignored = {*missing, *(word for word in words if word.casefold() in usual)}
    remaining = tuple(word for word in words if word not in ignored)
    dates_read = parse_datetimes(text.head(500), None).local_time
    dates = dates_read.count() / len(dates_read) if len(dates_read) else 0.0
    return ColumnProfile(heading, text, remaining, dates, _parse_plain_numbers(text, decimal), missing, cells)


def value_score(profile: ColumnProfile, entry: Entry, unit: Unit | None) -> float:
    """How well the contents of a column suit a field, 0-1; 0.6 for an empty column."""
    if not len(profile.texts):
        return 0.6
    if entry.type in ("date", "date or date-time"):
        plain = profile.numeric_share > 0.95 and profile.dates < 0.95
        return 0.1 if plain or profile.dates < 0.5 else profile.dates
    if entry.type == "true/false" or entry.levels:
        return level_share(profile, entry)
    if entry.type in ("number", "whole number"):
        return _number_field_score(profile, entry, unit)
    return _text_field_score(profile, entry)


def score_by_values(profile: ColumnProfile, entry: Entry) -> float:
    """Score of a column whose words alone identify a field, whatever its heading.

    0.5 if nearly all its words mean at least three of the field's levels (or both of two), else 0. Fluids never identify
    a field, since three fields hold fluids.
    """
    if not entry.levels or entry.name in FLUID_FIELDS or not len(profile.texts) or len(profile.distinct) > 60:
        return 0.0
    levels = set(word_levels(profile.distinct, entry).values())
    enough = len(levels) >= min(IDENTIFYING_LEVELS, len(entry.levels))
    return 0.5 if enough and level_share(profile, entry) > IDENTIFYING_SHARE else 0.0


def likely_unit(profile: ColumnProfile, entry: Entry, usual: float | None, heading_unit: str | None) -> str | None:
    """The unit of a column: the one its heading names, else the one that puts most readings inside the field's limits.

    Of two that do so equally, the one that gives more usual readings. None if it is the field's own unit.
    """
    if not entry.unit or entry.type not in ("number", "whole number"):
        return None
    own = next(
        (name for name in ("mm", "ml", "nm", "c", "fraction", "min", "s") if _is_field_unit(name, entry.unit)), None
    )
    if heading_unit is not None and unit_for(heading_unit, entry.unit) is not None:
        return None if heading_unit == own else heading_unit
    if own is None or usual is None or not profile.numbers.count():
        return None
    names = [name for name in (own, *OTHER_UNITS) if name and unit_for(name, entry.unit)]
    best = max(
        names,
        key=lambda name: (
            _share_within_limits(profile, entry, unit_for(name, entry.unit)),
            name == own,
            -_distance_from_usual(profile, entry, usual, name),
        ),
    )
    ours = _share_within_limits(profile, entry, unit_for(own, entry.unit)) if own else 0.0
    better = _share_within_limits(profile, entry, unit_for(best, entry.unit))
    return best if best != own and better > ours + 0.3 else _usual_unit(profile, entry, usual, own)


def _usual_unit(profile: ColumnProfile, entry: Entry, usual: float, field_unit: str) -> str | None:
    """Another unit that makes the median usual, if it is far from usual in the field's own unit; else None."""
    if is_near_usual(profile, unit_for(field_unit, entry.unit), usual, FAR_OFF) or entry.unit == "°C":
        return None
    fitting_units = (name for name in OTHER_UNITS if is_near_usual(profile, unit_for(name, entry.unit), usual, ABOUT))
    return next(
        (
            name
            for name in fitting_units
            if _share_within_limits(profile, entry, unit_for(name, entry.unit)) > IDENTIFYING_SHARE
        ),
        None,
    )


def is_near_usual(profile: ColumnProfile, unit: Unit | None, usual: float, factor: float) -> bool:
    """Whether the median of the readings other than zero is within a factor of a usual one."""
    value = median_reading(profile, unit)
    return unit is not None and value is not None and usual / factor <= value <= usual * factor


def median_reading(profile: ColumnProfile, unit: Unit | None) -> float | None:
    """The absolute median of the readings other than zero, in the field's own unit."""
    median = profile.numbers.filter(profile.numbers != 0).drop_nulls().median()
    if not isinstance(median, float | int):
        return None
    return abs(float(median) * (unit.factor if unit else 1) + (unit.offset if unit else 0))


def _parse_plain_numbers(text: pl.Series, decimal: str) -> pl.Series:
    bare = (
        pl.DataFrame({"cell": text})
        .select(pl.when(pl.col("cell").str.contains(_NUMBER)).then(pl.col("cell").str.replace_all(r"[^\d.,+-]", "")))
        .to_series()
    )
    if decimal == ",":
        bare = bare.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
    else:
        bare = bare.str.replace_all(",", "", literal=True)
    return bare.cast(pl.Float64, strict=False)


def level_share(profile: ColumnProfile, entry: Entry) -> float:
    """How much of a column is words of a field's levels, 0-1."""
    if len(profile.distinct) > 60:
        return 0.02
    counts = profile.texts.value_counts()
    recognised_words = set(word_levels(profile.distinct, entry))
    if entry.name == "brake":
        recognised_words |= {word for word in profile.distinct if is_out_of_scope(word)}
    share = sum(n for word, n in counts.iter_rows() if word in recognised_words) / len(profile.texts)
    if share > 0.5:
        return 0.1 + 0.9 * share
    return 0.15 * share + (0.25 if entry.type == "true/false" and len(profile.distinct) == 2 else 0.0)


def _number_field_score(profile: ColumnProfile, entry: Entry, unit: Unit | None) -> float:
    if profile.numeric_share < 0.7:
        return 0.03
    whole = entry.type != "whole number" or _share_true(profile.numbers.drop_nulls() % 1 == 0) > 0.95
    return (0.3 + 0.7 * _share_within_limits(profile, entry, unit)) * (1.0 if whole else 0.3)


def _text_field_score(profile: ColumnProfile, entry: Entry) -> float:
    dated = profile.dates > 0.8 and profile.numeric_share < 0.9
    if entry.required and entry.role == "key" and entry.name.endswith("_id") and entry.name != "bike_id":
        return 0.1 if dated else 0.3 + 0.7 * profile.distinct_share
    if entry.name in ("bike_id", "session_id"):
        return 0.1 if dated else 0.5 + 0.5 * min(1.0, 3 * profile.distinct_share)
    if entry.name == "note":
        return 0.3 if dated or profile.numeric_share > 0.9 else 1.0
    if dated:
        return 0.1
    if profile.numeric_share > 0.9:
        return 0.3
    if entry.name in ("kit_id", "fluid_lot") and all(_look_up_level(word, "fluid") for word in profile.distinct):
        return 0.3  # a kit named by its fluid
    return 1.0 if profile.distinct_share < 0.5 or len(profile.distinct) < 80 else 0.5


def _share_within_limits(profile: ColumnProfile, entry: Entry, unit: Unit | None) -> float:
    values = profile.numbers.drop_nulls()
    if unit is not None:
        values = values * unit.factor + unit.offset
    if not len(values):
        return 0.0
    low = -float("inf") if entry.low is None else entry.low
    high = float("inf") if entry.high is None else entry.high
    return _share_true((values >= low - 1e-9) & (values <= high + 1e-9))


def _share_true(true: pl.Series) -> float:
    return int(true.sum()) / len(true) if len(true) else 0.0


def _distance_from_usual(profile: ColumnProfile, entry: Entry, usual: float, name: str) -> float:
    unit = unit_for(name, entry.unit)
    median = profile.numbers.median()
    if unit is None or median is None:
        return float("inf")
    return abs(abs(float(median) * unit.factor + unit.offset) - usual)  # type: ignore[arg-type]


def _is_field_unit(name: str, canonical: str) -> bool:
    unit = unit_for(name, canonical)
    return unit is not None and unit.factor == 1 and unit.offset == 0
