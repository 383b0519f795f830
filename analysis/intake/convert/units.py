"""Convert units to those of the log, rounded to the precision in which they were written.

Within one system of units (mm, cm, m; ml; N·m; °C; s, min, h; fraction, percent) the conversion is exact. From inches,
fluid ounces, inch-pounds and °F the converted value is rounded. Let the step be the last decimal place written, and D
the largest power of ten that is not coarser than the step. The value becomes the nearest multiple of 10·D if that would
have been written the same way, else of 5·D if that would, else of D. So 10.6 in-lb (a step of 0.1 in-lb is 0.011 N·m, D
is 0.01) is 1.2 N·m, 3.0 in is 75 mm, and 10.5 in-lb is 1.19 N·m. A limit in round numbers is therefore met exactly if
the reading is equal to or better than the limit as written in the other unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Unit:
    """A unit named in a cell or a map, and its conversion to the unit of the field: canonical = x · factor + offset.

    `between_systems`: the conversion is rounded to the precision in which the value was written.
    """

    name: str
    canonical: str
    factor: float
    offset: float = 0.0
    between_systems: bool = False


INCH_MM = 25.4
FLUID_OUNCE_ML = 29.5735295625
INCH_POUND_NM = 0.1129848290276167
_UNITS = (
    Unit("mm", "mm", 1),
    Unit("cm", "mm", 10),
    Unit("m", "mm", 1000),
    Unit("in", "mm", INCH_MM, between_systems=True),
    Unit("ml", "ml", 1),
    Unit("fl_oz", "ml", FLUID_OUNCE_ML, between_systems=True),
    Unit("nm", "N·m", 1),
    Unit("in_lb", "N·m", INCH_POUND_NM, between_systems=True),
    Unit("c", "°C", 1),
    Unit("f", "°C", 5 / 9, -160 / 9, between_systems=True),
    Unit("fraction", "fraction", 1),
    Unit("percent", "fraction", 0.01),
    Unit("s", "min", 1 / 60),
    Unit("min", "min", 1),
    Unit("h", "min", 60),
    Unit("s", "s", 1),
    Unit("min", "s", 60),
    Unit("h", "s", 3600),
)
UNIT_NAMES: tuple[str, ...] = tuple(dict.fromkeys(unit.name for unit in _UNITS))
_SPELLINGS = {
    "mm": "mm millimeter millimetre millimètre milimetro millimetri",
    "cm": "cm centimeter centimetre zentimeter centimetro",
    "m": "m meter metre mètre metro",
    "in": "in inch inches zoll pouce pouces pulgada pulgadas pollici pollice duim \" ″ ” ''",
    "ml": "ml cc ccm cm3 cm³ milliliter millilitre",
    "fl_oz": "floz oz usfloz fluidounce fluidounces ounces",
    "nm": "nm newtonmeter newtonmetre",
    "in_lb": "inlb inlbs inlbf lbin lbsin lbfin inchpounds inchpound",
    "c": "c degc celsius",
    "f": "f degf fahrenheit",
    "fraction": "",
    "percent": "% percent pct prozent",
    "s": "s sec secs second seconds sek sekunden",
    "min": "min mins minute minutes minuten minuti minutos ' ′",
    "h": "h hr hrs hour hours std stunden heures uur ore horas",
}
_UNIT_OF_SPELLING = {spelling: unit for unit, words in _SPELLINGS.items() for spelling in words.split()}
_MONEY = frozenset({"€", "$", "£", "eur", "usd", "gbp", "chf", "kr", "fr", "euro", "euros"})


def unit_for(name: str, canonical: str) -> Unit | None:
    """The unit of that name for a field in the canonical unit; None if it cannot be converted."""
    return next((unit for unit in _UNITS if unit.name == name and unit.canonical == canonical), None)


def unit_named(text: str) -> str | None:
    """The name in the map of the unit a text spells out; None if it is not a unit."""
    return _UNIT_OF_SPELLING.get(_unpunctuated(text))


def unit_of_suffix(suffix: str, canonical: str) -> Unit | None:
    """The unit written after a number, such as `in-lb` for N·m or `"` for mm; None if it is not of the field's kind."""
    spelling = _unpunctuated(suffix)
    if canonical == "currency":
        return Unit(spelling, canonical, 1) if spelling in _MONEY else None
    return unit_for(_UNIT_OF_SPELLING.get(spelling, ""), canonical)


def _unpunctuated(text: str) -> str:
    return re.sub(r"[\s.·⋅*°_-]", "", text.casefold())


def to_field_unit(numbers: pl.DataFrame) -> pl.Series:
    """Readings in the unit of the field.

    Parameters
    ----------
    numbers
        `number` and `step` (the last decimal place written) in the source unit, and the unit's `factor`, `offset` and
        `between_systems`.
    """
    value = pl.col("number") * pl.col("factor") + pl.col("offset")
    step = pl.col("step") * pl.col("factor")
    power_of_ten = 10.0 ** (step.log10() + 1e-9).floor()
    exact = value.round_sig_figs(12)

    def round_to(multiple: float) -> pl.Expr:
        grid = power_of_ten * multiple
        return (value / grid).round() * grid

    rounded = round_to(1)
    for multiple in (5, 10):
        written_the_same = (round_to(multiple) - value).abs() < step / 2
        rounded = pl.when(written_the_same).then(round_to(multiple)).otherwise(rounded)
    converted = pl.when(pl.col("between_systems")).then(rounded.round_sig_figs(12)).otherwise(exact)
    return numbers.select(value=converted).to_series()
