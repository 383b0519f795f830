"""A shop's own standard, read from TOML: what it leaves out is the built-in one's, what it says wrong is refused."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Any

from analysis.errors import UserError
from analysis.standard.definition import ComebackRule, SecondCheck, Standard
from analysis.standard.grammar import TomlLocation, read_table, read_value, read_words, refuse_unknown
from analysis.standard.read_steps import parse_steps
from schemas.log import COMPLAINTS, FINDINGS, FLUIDS

LARGEST_BYTES = 1_000_000


def built_in() -> Standard:
    """The built-in procedure: starting values, common practice, no source; the maker's figure wins."""
    return _standard(files("analysis.standard").joinpath("built_in.toml").read_text("utf-8"), "built in", (), None)


def read_standard(path: str | Path, own_fields: Iterable[str] = ()) -> Standard:
    """The standard a shop wrote down.

    Parameters
    ----------
    path
        A TOML file. A table it leaves out is taken from the built-in standard; where it lists any step, its steps
        alone count.
    own_fields
        Names of the shop's own fields (`own.<name>`) that a step may read.

    Raises
    ------
    UserError
        Unreadable or malformed TOML, an unknown key or field, a value of the wrong kind, a rule that does not suit
        its field, min above max, no rule or two rules in one step, a step id used twice: with file and line or key.
    """
    return _standard(_text(Path(path)), str(path), tuple(own_fields), built_in())


def _text(file: Path) -> str:
    expected = "a standard in TOML, a few kilobytes"
    try:
        if not file.is_file():
            problem = "is no file" if file.exists() else "does not exist"
            raise UserError(str(file), problem, expected, "check the path")
        if file.stat().st_size > LARGEST_BYTES:
            raise UserError(str(file), "is larger than 1 MB", expected, "check the path")
        return file.read_text("utf-8-sig")
    except OSError as error:
        raise UserError(str(file), f"cannot be read: {error.strerror}", expected, "check the path") from error
    except UnicodeDecodeError as error:
        raise UserError(str(file), "is not UTF-8 text", "a standard in TOML, UTF-8", "save it as UTF-8") from error


def _standard(text: str, name: str, own_fields: tuple[str, ...], default: Standard | None) -> Standard:
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise UserError(name, f"is not TOML: {error}", "key = value lines", "mend that line") from error
    top = TomlLocation(name, text, "")
    refuse_unknown(content, ("shop", "comeback", "second_check", "fluids", "step"), top)
    shop, place = read_table(content, "shop", top), top.at("shop")
    refuse_unknown(shop, ("window_days", "currency", "minute_cost"), place)
    return Standard(
        window_days=read_value(
            shop, "window_days", place, int, low=1, high=3650, default=_default_value(default, "window_days")
        ),
        currency=read_value(shop, "currency", place, str, default=_default_value(default, "currency")),
        minute_cost=read_value(
            shop, "minute_cost", place, float, low=0, default=_default_value(default, "minute_cost")
        ),
        comeback=_comeback(
            read_table(content, "comeback", top), top.at("comeback"), _default_value(default, "comeback")
        ),
        second_check=_second_check(
            read_table(content, "second_check", top), top.at("second_check"), _default_value(default, "second_check")
        ),
        steps=default.steps if default and "step" not in content else parse_steps(content.get("step"), top, own_fields),
        fluid_replacements=_replacements(
            read_table(content, "fluids", top), top, _default_value(default, "fluid_replacements")
        ),
        name=name,
    )


def _comeback(table: dict[str, Any], location: TomlLocation, default: ComebackRule | None) -> ComebackRule:
    refuse_unknown(table, ("complaints", "findings", "exclude_findings", "minutes", "parts_cost"), location)
    return ComebackRule(
        complaints=read_words(table, "complaints", location, COMPLAINTS, _default_value(default, "complaints")),
        findings=read_words(table, "findings", location, FINDINGS, _default_value(default, "findings")),
        exclude_findings=read_words(
            table, "exclude_findings", location, FINDINGS, _default_value(default, "exclude_findings")
        ),
        minutes=read_value(table, "minutes", location, float, low=0, default=_default_value(default, "minutes")),
        parts_cost=read_value(
            table, "parts_cost", location, float, low=0, default=_default_value(default, "parts_cost")
        ),
    )


def _second_check(table: dict[str, Any], location: TomlLocation, default: SecondCheck | None) -> SecondCheck:
    refuse_unknown(table, ("minutes", "sensitivity", "per_week", "worklist_days", "recall_minutes"), location)
    return SecondCheck(
        minutes=read_value(table, "minutes", location, float, low=0, default=_default_value(default, "minutes")),
        sensitivity=read_value(
            table, "sensitivity", location, float, low=0, high=1, default=_default_value(default, "sensitivity")
        ),
        per_week=read_value(table, "per_week", location, float, low=0, default=_default_value(default, "per_week")),
        worklist_days=read_value(
            table, "worklist_days", location, int, low=1, high=3650, default=_default_value(default, "worklist_days")
        ),
        recall_minutes=read_value(
            table, "recall_minutes", location, float, low=0, default=_default_value(default, "recall_minutes")
        ),
    )


def _replacements(
    table: dict[str, Any], root: TomlLocation, default: dict[str, tuple[str, ...]] | None
) -> dict[str, tuple[str, ...]]:
    place = root.at("fluids")
    refuse_unknown(table, ("replaces",), place)
    if "replaces" not in table:
        return default or {}
    replaces, within = read_table(table, "replaces", place), place.at("replaces")
    refuse_unknown(replaces, FLUIDS, within)
    return {fluid: read_words(replaces, fluid, within, FLUIDS, None) for fluid in replaces}


def _default_value(default: Any, name: str) -> Any:
    return None if default is None else getattr(default, name)
