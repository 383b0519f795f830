"""The rules that decide whether a bleed met a step: true met, false missed, empty not recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

TOLERANCE = 1e-9
"""Limits are inclusive: a reading within this of a limit equals it."""

Kind = Literal["true/false", "number", "text"]


@dataclass(frozen=True)
class Limits:
    """The lowest and highest reading that meets a step; None where there is no limit."""

    lo: float | None
    hi: float | None


@dataclass(frozen=True)
class Bounds:
    """Limits that may differ from bleed to bleed; empty where there is none."""

    lo: pl.Expr
    hi: pl.Expr


@dataclass(frozen=True)
class Is:
    """Met when the field is `value`."""

    value: bool

    def is_met(self, field: str) -> pl.Expr:
        return pl.col(field) == self.value

    def kind(self) -> Kind:
        return "true/false"


@dataclass(frozen=True)
class Between:
    """Met when the reading is within the limits, both included."""

    limits: Limits

    def is_met(self, field: str) -> pl.Expr:
        return _is_within_bounds(field, self.bounds())

    def bounds(self) -> Bounds:
        return _constant_bounds(self.limits)

    def kind(self) -> Kind:
        return "number"


@dataclass(frozen=True)
class Equals:
    """Met when the field equals this number or text."""

    value: float | str

    def is_met(self, field: str) -> pl.Expr:
        return pl.col(field) == self.value if isinstance(self.value, str) else _is_within_bounds(field, self.bounds())

    def bounds(self) -> Bounds:
        number = None if isinstance(self.value, str) else float(self.value)
        return _constant_bounds(Limits(number, number))

    def kind(self) -> Kind:
        return "text" if isinstance(self.value, str) else "number"


@dataclass(frozen=True)
class AboveField:
    """Met when the reading is greater than another field's."""

    other: str

    def is_met(self, field: str) -> pl.Expr:
        return _number_column(field) > _number_column(self.other) + TOLERANCE

    def bounds(self) -> Bounds:
        return Bounds(_number_column(self.other), pl.lit(None, pl.Float64))

    def kind(self) -> Kind:
        return "number"


@dataclass(frozen=True)
class AtLeastField:
    """Met when the reading is at least another field's, or at least `otherwise` where that one is not recorded."""

    other: str
    otherwise: float

    def is_met(self, field: str) -> pl.Expr:
        return _is_within_bounds(field, self.bounds())

    def bounds(self) -> Bounds:
        return Bounds(_number_column(self.other).fill_null(self.otherwise), pl.lit(None, pl.Float64))

    def kind(self) -> Kind:
        return "number"


@dataclass(frozen=True)
class BrakeLimits:
    """Met when the reading is within the brake's own limits, or the usual ones where the brakes table has none.

    Where the table has only one of the two, the usual limit is used for the other unless the two would cross.
    """

    lo_field: str
    hi_field: str
    usual: Limits

    def is_met(self, field: str) -> pl.Expr:
        limits = self.bounds()
        return pl.when(limits.lo.is_not_null() | limits.hi.is_not_null()).then(_is_within_bounds(field, limits))

    def bounds(self) -> Bounds:
        lo, hi, usual = (
            pl.col(brake_column(self.lo_field)),
            pl.col(brake_column(self.hi_field)),
            _constant_bounds(self.usual),
        )
        return Bounds(
            pl.coalesce(lo, pl.when((usual.lo <= hi).fill_null(True)).then(usual.lo)),
            pl.coalesce(hi, pl.when((usual.hi >= lo).fill_null(True)).then(usual.hi)),
        )

    def kind(self) -> Kind:
        return "number"


Rule = Is | Between | Equals | AboveField | AtLeastField | BrakeLimits


def limits_of(rule: Rule) -> Limits:
    """The fixed limits of a rule; none where it has no fixed limits."""
    if isinstance(rule, Between):
        return rule.limits
    if isinstance(rule, BrakeLimits):
        return rule.usual
    if isinstance(rule, Equals) and not isinstance(rule.value, str):
        return Limits(float(rule.value), float(rule.value))
    if isinstance(rule, AtLeastField):
        return Limits(rule.otherwise, None)
    return Limits(None, None)


def bounds_of(rule: Rule) -> Bounds | None:
    """The bounds of a rule on a measured field; None for a rule on a text or a true/false field."""
    return rule.bounds() if not isinstance(rule, Is) and rule.kind() == "number" else None


def other_fields_of_rule(rule: Rule) -> tuple[str, ...]:
    """The other fields of the bleed that a rule reads."""
    return (rule.other,) if isinstance(rule, AboveField | AtLeastField) else ()


def brake_column(field: str) -> str:
    """The name given to a column joined from the brakes table."""
    return f"brakes.{field}"


def _number_column(field: str) -> pl.Expr:
    return pl.col(field).cast(pl.Float64)


def _constant_bounds(limits: Limits) -> Bounds:
    return Bounds(pl.lit(limits.lo, pl.Float64), pl.lit(limits.hi, pl.Float64))


def _is_within_bounds(field: str, bounds: Bounds) -> pl.Expr:
    reading, infinity = _number_column(field), float("inf")
    return (reading >= bounds.lo.fill_null(-infinity) - TOLERANCE) & (
        reading <= bounds.hi.fill_null(infinity) + TOLERANCE
    )
