"""A shop's standard, read from TOML; tables it leaves out are taken from the built-in one."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

from analysis.errors import UserError
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

MAX_BYTES = 1_000_000


def built_in() -> Standard:
    """The built-in procedure: starting values, common practice, no source; the maker's instructions take precedence."""
    return _parse_standard(
        files("analysis.standard").joinpath("built_in.toml").read_text("utf-8"), "built in", (), None
    )


def read_standard(path: str | Path, own_fields: Iterable[str] = ()) -> Standard:
    """Read a shop's written procedure.

    Parameters
    ----------
    path
        A TOML file. A table it leaves out is taken from the built-in procedure; if it lists any step, only those steps are
        used.
    own_fields
        Names of custom fields (`own.<name>`) that a step may read.

    Raises
    ------
    UserError
        Unreadable file or invalid TOML, an unknown key or field, a value of the wrong type, a rule that does not suit
        its field, min above max, no rule or two rules in one step, a step id used twice; with file and line or key.
    """
    return _parse_standard(_read_text(Path(path)), str(path), tuple(own_fields), built_in())


def _read_text(file: Path) -> str:
    expected = "a procedure in TOML, a few kilobytes"
    try:
        if not file.is_file():
            problem = "is not a file" if file.exists() else "does not exist"
            raise UserError(str(file), problem, expected, "check the path")
        if file.stat().st_size > MAX_BYTES:
            raise UserError(str(file), "is larger than 1 MB", expected, "check the path")
        return file.read_text("utf-8-sig")
    except OSError as error:
        raise UserError(str(file), f"cannot be read: {error.strerror}", expected, "check the path") from error
    except UnicodeDecodeError as error:
        raise UserError(str(file), "is not UTF-8 text", "a procedure in TOML, UTF-8", "save it as UTF-8") from error


def _parse_standard(text: str, name: str, own_fields: tuple[str, ...], default: Standard | None) -> Standard:
    try:
        content = tomllib.loads(text)
        repr(content)  # fails for a hexadecimal number too long for any message
    except (ValueError, RecursionError) as error:
        raise UserError(name, f"is not valid TOML: {error}", "key = value lines", "correct that line") from error
    top = TomlLocation(name, text, "")
    reject_unknown_keys(
        content, ("adopted_on", "shops", "shop", "comeback", "second_check", "travel_recall", "fluids", "step"), top
    )
    shop, at = read_table(content, "shop", top), top.at("shop")
    reject_unknown_keys(shop, ("window_days", "currency", "minute_cost"), at)
    names = ("comeback", "second_check", "travel_recall", "fluids")
    comeback, second_check, travel, fluids = (read_table(content, name, top) for name in names)
    return Standard(
        window_days=read_value(
            shop, "window_days", at, int, allowed=(1, 3650), default=_default_value(default, "window_days")
        ),
        currency=read_value(shop, "currency", at, str, default=_default_value(default, "currency")),
        minute_cost=read_value(
            shop, "minute_cost", at, float, allowed=(0, None), default=_default_value(default, "minute_cost")
        ),
        comeback=_read_comeback_rule(comeback, top.at("comeback"), _default_value(default, "comeback")),
        second_check=_read_second_check(second_check, top.at("second_check"), _default_value(default, "second_check")),
        travel_recall=_read_travel_recall(travel, top.at("travel_recall"), _default_value(default, "travel_recall")),
        steps=default.steps if default and "step" not in content else parse_steps(content.get("step"), top, own_fields),
        fluid_replacements=_read_fluid_replacements(
            fluids, top.at("fluids"), _default_value(default, "fluid_replacements")
        ),
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
    if not isinstance(shops, list) or not all(isinstance(shop, str) for shop in shops):
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


def _read_comeback_rule(table: dict[str, Any], at: TomlLocation, default: ComebackRule | None) -> ComebackRule:
    reject_unknown_keys(table, ("complaints", "findings", "exclude_findings", "minutes", "parts_cost"), at)
    return ComebackRule(
        complaints=read_words(table, "complaints", at, COMPLAINTS, _default_value(default, "complaints")),
        findings=read_words(table, "findings", at, FINDINGS, _default_value(default, "findings")),
        exclude_findings=read_words(
            table, "exclude_findings", at, FINDINGS, _default_value(default, "exclude_findings")
        ),
        minutes=read_value(table, "minutes", at, float, allowed=(0, None), default=_default_value(default, "minutes")),
        parts_cost=read_value(
            table, "parts_cost", at, float, allowed=(0, None), default=_default_value(default, "parts_cost")
        ),
    )


def _read_second_check(table: dict[str, Any], at: TomlLocation, default: SecondCheck | None) -> SecondCheck:
    reject_unknown_keys(table, ("minutes", "sensitivity", "per_week", "worklist_days", "recall_minutes"), at)
    return SecondCheck(
        minutes=read_value(table, "minutes", at, float, allowed=(0, None), default=_default_value(default, "minutes")),
        sensitivity=read_value(
            table, "sensitivity", at, float, allowed=(0, 1), default=_default_value(default, "sensitivity")
        ),
        per_week=read_value(
            table, "per_week", at, float, allowed=(0, None), default=_default_value(default, "per_week")
        ),
        worklist_days=read_value(
            table, "worklist_days", at, int, allowed=(1, 3650), default=_default_value(default, "worklist_days")
        ),
        recall_minutes=read_value(
            table, "recall_minutes", at, float, allowed=(0, None), default=_default_value(default, "recall_minutes")
        ),
    )


def _read_travel_recall(table: dict[str, Any], at: TomlLocation, default: TravelRecall | None) -> TravelRecall:
    reject_unknown_keys(table, ("times_usual", "worse_mm", "min_bleeds"), at)
    return TravelRecall(
        times_usual=read_value(
            table, "times_usual", at, float, allowed=(1, None), default=_default_value(default, "times_usual")
        ),
        worse_mm=read_value(
            table, "worse_mm", at, float, allowed=(0, None), default=_default_value(default, "worse_mm")
        ),
        min_bleeds=read_value(
            table, "min_bleeds", at, int, allowed=(1, None), default=_default_value(default, "min_bleeds")
        ),
    )


def _read_fluid_replacements(
    table: dict[str, Any], at: TomlLocation, default: dict[str, tuple[str, ...]] | None
) -> dict[str, tuple[str, ...]]:
    reject_unknown_keys(table, ("replaces",), at)
    if "replaces" not in table:
        return default or {}
    replaces, within = read_table(table, "replaces", at), at.at("replaces")
    reject_unknown_keys(replaces, FLUIDS, within)
    return {fluid: read_words(replaces, fluid, within, FLUIDS, None) for fluid in replaces}


def _default_value(default: Any, name: str) -> Any:
    """An attribute of the built-in default; None where there is no default, so that the key is required."""
    return None if default is None else getattr(default, name)
