"""Warn of technicians whose names differ only in capitals, spaces, accents or punctuation; they are never merged unasked."""

from __future__ import annotations

import json
from collections.abc import Mapping

import polars as pl

from analysis.intake.propose.vocabulary import folded

TABLES_WITH_NAMES = ("sessions", "technicians", "coaching")
MAX_WARNINGS = 10


def similar_names(tables: Mapping[str, pl.DataFrame]) -> list[str]:
    """One warning for each group of names that may be one person, with the lines of the map that would merge them.

    Parameters
    ----------
    tables
        The log's tables by name, accepted rows only.
    """
    bleeds = dict(tables["sessions"].get_column("technician").value_counts().iter_rows())
    names = {
        str(name)
        for table in TABLES_WITH_NAMES
        for name in tables[table].get_column("technician").drop_nulls().unique()
    }
    groups: dict[str, list[str]] = {}
    for name in sorted(names, key=lambda name: (-bleeds.get(name, 0), name)):
        key = "".join(letter for letter in folded(name) if letter.isalnum())
        if key:
            groups.setdefault(key, []).append(name)
    similar = [group for group in groups.values() if len(group) > 1]
    warnings = [_warning(group, bleeds, tables) for group in similar[:MAX_WARNINGS]]
    more = len(similar) - MAX_WARNINGS
    return [*warnings, *([f"{more} more groups of similar names"] if more > 0 else [])]


def _warning(group: list[str], bleeds: dict[str, int], tables: Mapping[str, pl.DataFrame]) -> str:
    spellings = ", ".join(f"{name!r} ({_bleeds(bleeds.get(name, 0))})" for name in group)
    first, others = json.dumps(group[0], ensure_ascii=False), json.dumps(group[1:], ensure_ascii=False)
    sections = " and ".join(f"[{name}.values.technician]" for name in TABLES_WITH_NAMES if _occurs(tables[name], group))
    return (
        f"the technicians {spellings} differ only in capitals, spaces, accents or punctuation; they are counted as "
        f"different people. If they are one person, write in the map under {sections}: {first} = {others}"
    )


def _bleeds(n: int) -> str:
    return f"{n:,} bleed" + ("" if n == 1 else "s")


def _occurs(table: pl.DataFrame, group: list[str]) -> bool:
    """Whether a table has one of the other spellings."""
    return bool(table.get_column("technician").is_in(group[1:]).any())
