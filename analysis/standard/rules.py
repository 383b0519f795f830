"""The ways a step can be met, each a rule over the bleed's own readings: true met, false missed, empty unknown."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

SLACK = 1e-9
"""Limits are inclusive: a reading that differs from one by less than this stands on it."""


@dataclass(frozen=True)
class Limits:
    """The least and the greatest reading that meets a step; None where there is none."""

    lo: float | None
    hi: float | None


@dataclass(frozen=True)
class Is:
    """Met when the field says `value`."""

    value: bool

    def met(self, field: str) -> pl.Expr:
        return pl.col(field) == self.value


@dataclass(frozen=True)
class Between:
    """Met when the reading lies between the limits, both included."""

    limits: Limits

    def met(self, field: str) -> pl.Expr:
        reading = pl.col(field).cast(pl.Float64)
        low = reading >= self.limits.lo - SLACK if self.limits.lo is not None else None
        high = reading <= self.limits.hi + SLACK if self.limits.hi is not None else None
        return low & high if low is not None and high is not None else _only(low, high)


@dataclass(frozen=True)
class Equals:
    """Met when the field is just this number or text."""

    value: float | str

    def met(self, field: str) -> pl.Expr:
        if isinstance(self.value, str):
            return pl.col(field) == self.value
        return (pl.col(field).cast(pl.Float64) - self.value).abs() <= SLACK


@dataclass(frozen=True)
class AboveField:
    """Met when the reading is greater than another field's."""

    other: str

    def met(self, field: str) -> pl.Expr:
        return pl.col(field).cast(pl.Float64) > pl.col(self.other).cast(pl.Float64) + SLACK


@dataclass(frozen=True)
class AtLeastField:
    """Met when the reading is at least another field's, or at least `otherwise` where that one is not recorded."""

    other: str
    otherwise: float

    def met(self, field: str) -> pl.Expr:
        least = pl.col(self.other).cast(pl.Float64).fill_null(self.otherwise)
        return pl.col(field).cast(pl.Float64) >= least - SLACK


@dataclass(frozen=True)
class BrakeLimits:
    """Met when the reading lies within the brake's own limits, or the usual ones where its table has none."""

    lo_field: str
    hi_field: str
    usual: Limits

    def met(self, field: str) -> pl.Expr:
        reading = pl.col(field).cast(pl.Float64)
        lo, hi = self.bounds
        return (reading >= lo.fill_null(-float("inf")) - SLACK) & (reading <= hi.fill_null(float("inf")) + SLACK)

    @property
    def bounds(self) -> tuple[pl.Expr, pl.Expr]:
        usual = self.usual
        return (
            pl.coalesce(pl.col(self.lo_field), pl.lit(usual.lo, pl.Float64)),
            pl.coalesce(pl.col(self.hi_field), pl.lit(usual.hi, pl.Float64)),
        )


Rule = Is | Between | Equals | AboveField | AtLeastField | BrakeLimits


def limits_of(rule: Rule) -> Limits:
    """The fixed limits of a rule on a measured field; none for the others."""
    if isinstance(rule, Between):
        return rule.limits
    if isinstance(rule, BrakeLimits):
        return rule.usual
    if isinstance(rule, Equals) and not isinstance(rule.value, str):
        return Limits(float(rule.value), float(rule.value))
    if isinstance(rule, AtLeastField):
        return Limits(rule.otherwise, None)
    return Limits(None, None)


def fields_read(rule: Rule) -> tuple[str, ...]:
    """The other fields of the bleed that a rule looks at."""
    if isinstance(rule, AboveField | AtLeastField):
        return (rule.other,)
    return ()


def _only(low: pl.Expr | None, high: pl.Expr | None) -> pl.Expr:
    if low is not None:
        return low
    if high is not None:
        return high
    raise ValueError("limits: at least one of lo and hi must be given, got none; name one")
