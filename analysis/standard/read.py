"""A shop's standard, read from TOML; tables it leaves out are taken from the built-in one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

from analysis.errors import UserError
from analysis.intake import parse_toml, read_small_text
from analysis.standard.definition import ComebackRule, SecondCheck, Standard, TravelRecall
from analysis.standard.read_steps import (
    TomlLocation,
    parse_steps,
    read_table,
    read_value,
    read_words,
    reject_unknown_keys,
)
from schemas.log import COMPLAINTS, FINDINGS, FLUIDS

SHOP_KEYS = {"window_days": "int", "currency": "str", "minute_cost": "float"}
VALUE_TABLES = {"comeback": ComebackRule, "second_check": SecondCheck, "travel_recall": TravelRecall}
TABLES = ("adopted_on", "shops", "shop", *VALUE_TABLES, "fluids", "step")
TYPES = {"int": int, "float": float, "str": str}
WORDS = {"complaints": COMPLAINTS, "findings": FINDINGS, "exclude_findings": FINDINGS}
LIMITS = {
    "currency": (None, None), "window_days": (1, 3650), "sensitivity": (0, 1), "worklist_days": (1, 3650),
    "times_usual": (1, None), "min_bleeds": (1, None),
}  # fmt: skip
"""Of values; other numbers are 0 or more."""


def built_in() -> Standard:
    """The built-in procedure: starting values, common practice, no source; the maker's instructions take precedence."""
    return _parse_standard(
        files("analysis.standard").joinpath("built_in.toml").read_text("utf-8"), "built in", (), None
    )


def read_standard(path: str | Path, own_fields: Iterable[str] | None = ()) -> Standard:
    """Read a shop's written procedure.

    Parameters
    ----------
    path
        A TOML file. A table it leaves out is taken from the built-in procedure; if it lists any step, only those steps are
        used.
    own_fields
        Names of custom fields (`own.<name>`) that a step may read; None for any.

    Raises
    ------
    UserError
        Unreadable file or invalid TOML, an unknown key or field, a value of the wrong type, a rule that does not suit
        its field, min above max, no rule or two rules in one step, a step id used twice; with file and line or key.
    """
    own = None if own_fields is None else tuple(own_fields)
    return _parse_standard(read_small_text(path, "a procedure in TOML, a few kilobytes"), str(path), own, built_in())


def _parse_standard(text: str, name: str, own_fields: tuple[str, ...] | None, default: Standard | None) -> Standard:
    content, top = parse_toml(text, name), TomlLocation(name, text, "")
    reject_unknown_keys(content, TABLES, top)
    return Standard(
        **_read_values(SHOP_KEYS, content, "shop", top, default),
        **{key: kind(**_read_table_of(kind, content, key, top, default)) for key, kind in VALUE_TABLES.items()},
        steps=default.steps if default and "step" not in content else parse_steps(content.get("step"), top, own_fields),
        fluid_replacements=_read_fluid_replacements(content, top, default),
        name=name,
        adopted_on=_read_adopted_on(content, top),
        shops=_read_shops(content, top),
    )


def _read_adopted_on(content: dict[str, Any], top: TomlLocation) -> dt.date | None:
    day = content.get("adopted_on")
    if day is None or (isinstance(day, dt.date) and not isinstance(day, dt.datetime)):
        return day
    raise top.error(
        f"adopted_on = {day!r}", "a day without quotes, such as 2026-03-01", "write year-month-day", "adopted_on"
    )


def _read_shops(content: dict[str, Any], top: TomlLocation) -> tuple[str, ...]:
    shops = content.get("shops", [])
    if not isinstance(shops, list) or not all(isinstance(shop, str) and shop.isprintable() for shop in shops):
        raise top.error(f"shops = {shops!r}", "a list of workshops in quotes", 'write shops = ["…"]', "shops")
    return tuple(shops)


def read_standards(paths: Sequence[str | Path], own_fields: Iterable[str] = ()) -> Standard:
    """Read one standard or several versions; the newest is reported, the others judge the bleeds of their time and shop.

    Raises
    ------
    UserError
        As `read_standard`; two versions apply from the same day in the same workshop.
    """
    own = tuple(own_fields)
    versions = [read_standard(path, own) for path in paths]
    begins = [(version.adopted_on or dt.date.min, not version.shops) for version in versions]
    for place, version in enumerate(versions):
        for other in versions[:place]:
            same_shops = set(version.shops) & set(other.shops) or (not version.shops and not other.shops)
            if version.adopted_on == other.adopted_on and same_shops:
                raise UserError(
                    version.name,
                    f"applies from the same day as {other.name}",
                    "a different adopted_on, or different shops, in each version",
                    "write adopted_on = 2026-03-01 (the first day) at the top of the newer one",
                )
    newest = max(range(len(versions)), key=lambda place: begins[place])
    rest = tuple(version for place, version in enumerate(versions) if place != newest)
    return replace(versions[newest], earlier=rest)


def _read_table_of(kind: type, content: dict[str, Any], key: str, top: TomlLocation, default: Any) -> dict[str, Any]:
    """A table whose keys are the fields of a dataclass."""
    return _read_values(
        {field.name: field.type for field in fields(kind)}, content, key, top, getattr(default, key, None)
    )


def _read_values(
    kinds: dict[str, Any], content: dict[str, Any], key: str, top: TomlLocation, default: Any
) -> dict[str, Any]:
    """The values of a table, by key; a key may be left out if `default` has an attribute of its name."""
    table, at = read_table(content, key, top), top.at(key)
    reject_unknown_keys(table, kinds, at)
    return {
        name: read_words(table, name, at, WORDS[name], getattr(default, name, None))
        if name in WORDS
        else read_value(
            table, name, at, TYPES[kind], allowed=LIMITS.get(name, (0, None)), default=getattr(default, name, None)
        )
        for name, kind in kinds.items()
    }


def _read_fluid_replacements(
    content: dict[str, Any], top: TomlLocation, default: Standard | None
) -> dict[str, tuple[str, ...]]:
    table, at = read_table(content, "fluids", top), top.at("fluids")
    reject_unknown_keys(table, ("replaces",), at)
    if "replaces" not in table:
        return {} if default is None else default.fluid_replacements
    replaces, within = read_table(table, "replaces", at), at.at("replaces")
    reject_unknown_keys(replaces, FLUIDS, within)
    return {fluid: read_words(replaces, fluid, within, FLUIDS, None) for fluid in replaces}
