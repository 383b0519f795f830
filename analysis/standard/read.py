"""A shop's own standard, read from TOML: what it leaves out is the built-in one's, what it says wrong is refused."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Any

from analysis.errors import CannotRun
from analysis.standard.grammar import Place, refuse_unknown, table_of, value_of, words_of
from analysis.standard.read_steps import steps_told
from analysis.standard.standard import ComebackRule, SecondCheck, Standard
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
    CannotRun
        Unreadable or malformed TOML, an unknown key or field, a value of the wrong kind, a rule that does not suit
        its field, min above max, no rule or two rules in one step, a step id used twice: with file and line or key.
    """
    return _standard(_text(Path(path)), str(path), tuple(own_fields), built_in())


def _text(file: Path) -> str:
    asked = "a standard in TOML, a few kilobytes"
    try:
        if not file.is_file():
            found = "is no file" if file.exists() else "does not exist"
            raise CannotRun(str(file), found, asked, "check the path")
        if file.stat().st_size > LARGEST_BYTES:
            raise CannotRun(str(file), "is larger than 1 MB", asked, "check the path")
        return file.read_text("utf-8-sig")
    except OSError as error:
        raise CannotRun(str(file), f"cannot be read: {error.strerror}", asked, "check the path") from error
    except UnicodeDecodeError as error:
        raise CannotRun(str(file), "is not UTF-8 text", "a standard in TOML, UTF-8", "save it as UTF-8") from error


def _standard(text: str, name: str, own_fields: tuple[str, ...], default: Standard | None) -> Standard:
    try:
        told = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise CannotRun(name, f"is not TOML: {error}", "key = value lines", "mend that line") from error
    top = Place(name, text, "")
    refuse_unknown(told, ("shop", "comeback", "second_check", "fluids", "step"), top)
    shop, place = table_of(told, "shop", top), top.at("shop")
    refuse_unknown(shop, ("window_days", "currency", "minute_cost"), place)
    return Standard(
        window_days=value_of(shop, "window_days", place, int, low=1, high=3650, default=_of(default, "window_days")),
        currency=value_of(shop, "currency", place, str, default=_of(default, "currency")),
        minute_cost=value_of(shop, "minute_cost", place, float, low=0, default=_of(default, "minute_cost")),
        comeback=_comeback(table_of(told, "comeback", top), top.at("comeback"), _of(default, "comeback")),
        second_check=_second_check(
            table_of(told, "second_check", top), top.at("second_check"), _of(default, "second_check")
        ),
        steps=default.steps if default and "step" not in told else steps_told(told.get("step"), top, own_fields),
        fluid_replacements=_replacements(table_of(told, "fluids", top), top, _of(default, "fluid_replacements")),
        name=name,
    )


def _comeback(told: dict[str, Any], place: Place, default: ComebackRule | None) -> ComebackRule:
    refuse_unknown(told, ("complaints", "findings", "never", "minutes", "parts_cost"), place)
    return ComebackRule(
        complaints=words_of(told, "complaints", place, COMPLAINTS, _of(default, "complaints")),
        findings=words_of(told, "findings", place, FINDINGS, _of(default, "findings")),
        never=words_of(told, "never", place, FINDINGS, _of(default, "never")),
        minutes=value_of(told, "minutes", place, float, low=0, default=_of(default, "minutes")),
        parts_cost=value_of(told, "parts_cost", place, float, low=0, default=_of(default, "parts_cost")),
    )


def _second_check(told: dict[str, Any], place: Place, default: SecondCheck | None) -> SecondCheck:
    refuse_unknown(told, ("minutes", "finds", "per_week", "worklist_days", "recall_minutes"), place)
    return SecondCheck(
        minutes=value_of(told, "minutes", place, float, low=0, default=_of(default, "minutes")),
        finds=value_of(told, "finds", place, float, low=0, high=1, default=_of(default, "finds")),
        per_week=value_of(told, "per_week", place, float, low=0, default=_of(default, "per_week")),
        worklist_days=value_of(
            told, "worklist_days", place, int, low=1, high=3650, default=_of(default, "worklist_days")
        ),
        recall_minutes=value_of(told, "recall_minutes", place, float, low=0, default=_of(default, "recall_minutes")),
    )


def _replacements(
    told: dict[str, Any], top: Place, default: dict[str, tuple[str, ...]] | None
) -> dict[str, tuple[str, ...]]:
    place = top.at("fluids")
    refuse_unknown(told, ("replaces",), place)
    if "replaces" not in told:
        return default or {}
    replaces, within = table_of(told, "replaces", place), place.at("replaces")
    refuse_unknown(replaces, FLUIDS, within)
    return {fluid: words_of(replaces, fluid, within, FLUIDS, None) for fluid in replaces}


def _of(default: Any, name: str) -> Any:
    return None if default is None else getattr(default, name)
