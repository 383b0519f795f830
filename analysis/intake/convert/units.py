"""Foreign units into the log's own, rounded as finely as they were written.

Within one system of units (mm, cm, m; ml; N·m; °C; s, min, h; fraction, percent) a conversion is exact and stays so.
From inches, fluid ounces, inch-pounds and °F the converted value is rounded to the step it was written in. Let D be
the largest power of ten that is no coarser than that step. The value becomes the nearest multiple of 10·D if that
would have been written the same, else of 5·D if that would, else of D. So 10.6 in-lb (a step of 0.1 in-lb is
0.011 N·m, D is 0.01) is 1.2 N·m, 3.0 in is 75 mm, and 10.5 in-lb is 1.19 N·m: a limit that is a round number is met
exactly when the reading as written equals the limit as it would be written in the foreign unit, or is better.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Unit:
    """A unit a cell or a map may name, and what of the field's own it is (canonical = x · factor + offset).

    `between_systems` tells that the conversion is no whole multiple and is rounded as written.
    """

    name: str
    canonical: str
    factor: float
    offset: float = 0.0
    between_systems: bool = False


INCH_MM = 25.4
FLUID_OUNCE_ML = 29.5735295625
INCH_POUND_NM = 0.1129848290276167
_ALL = (
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
UNITS: tuple[str, ...] = tuple(dict.fromkeys(unit.name for unit in _ALL))
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
_UNIT_OF = {spelling: unit for unit, words in _SPELLINGS.items() for spelling in words.split()}
_MONEY = frozenset({"€", "$", "£", "eur", "usd", "gbp", "chf", "kr", "fr", "euro", "euros"})


def unit_for(name: str, canonical: str) -> Unit | None:
    """The unit of that name as it converts to the field's own; None where it cannot be."""
    return next((unit for unit in _ALL if unit.name == name and unit.canonical == canonical), None)


def unit_named(text: str) -> str | None:
    """The map's name of the unit a text spells out, whatever it measures; None where it is no unit."""
    return _UNIT_OF.get(_bare(text))


def unit_of_suffix(suffix: str, canonical: str) -> Unit | None:
    """The unit written behind a number, where it is one of the field's kind: `in-lb` for N·m, `"` for mm."""
    bare = _bare(suffix)
    if canonical == "currency":
        return Unit(bare, canonical, 1) if bare in _MONEY else None
    return unit_for(_UNIT_OF.get(bare, ""), canonical)


def _bare(text: str) -> str:
    return re.sub(r"[\s.·⋅*°_-]", "", text.casefold())


def to_field_unit(numbers: pl.DataFrame) -> pl.Series:
    """Readings in the field's own unit.

    Parameters
    ----------
    numbers
        `number` in the foreign unit, `step` (the last decimal place it was written to, in that unit), and the unit's
        `factor`, `offset` and `between_systems`.
    """
    value = pl.col("number") * pl.col("factor") + pl.col("offset")
    step = pl.col("step") * pl.col("factor")
    tens = 10.0 ** (step.log10() + 1e-9).floor()
    exact = value.round_sig_figs(12)

    def nearest(multiple: float) -> pl.Expr:
        grid = tens * multiple
        return (value / grid).round() * grid

    rounded = nearest(1)
    for multiple in (5, 10):
        same = (nearest(multiple) - value).abs() < step / 2
        rounded = pl.when(same).then(nearest(multiple)).otherwise(rounded)
    converted = pl.when(pl.col("between_systems")).then(rounded.round_sig_figs(12)).otherwise(exact)
    return numbers.select(value=converted).to_series()
