"""What `read_log` accepts: names of exports, paths and frames; a map as a file or as proposed; a day as a date or text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from os import PathLike, fspath
from typing import Any

import polars as pl

from analysis.errors import UserError
from analysis.intake.mapping.read_map import parse_map, read_map
from analysis.intake.mapping.table_map import ExportMap
from analysis.intake.propose.proposal import ProposedMap
from analysis.intake.readers.frames import frame_table
from analysis.intake.readers.raw_table import RawTables, ReadingHint
from analysis.intake.readers.sources import raw_tables

Export = str | PathLike[str] | pl.DataFrame | pl.LazyFrame
Exports = Export | Sequence[Export] | Mapping[str, Any]
MapSource = str | PathLike[str] | ProposedMap | ExportMap
ONE_FRAME = "frame"
"""How a frame without a name is called in messages and tables."""


def read_raw_tables(exports: Exports, hints: Sequence[ReadingHint] = ()) -> RawTables:
    """Read every table of files, folders, databases and frames.

    Raises
    ------
    UserError
        An export cannot be read, or is none of these.
    """
    if isinstance(exports, Mapping):
        by_name = [(str(name), one) for name, one in exports.items()]
    else:
        several = list(exports) if isinstance(exports, list | tuple) else [exports]
        by_name = [(ONE_FRAME if place == 1 else f"{ONE_FRAME} {place}", one) for place, one in enumerate(several, 1)]
    parts = [_read_export_argument(name, one) for name, one in by_name if not isinstance(one, str | PathLike)]
    files = [fspath(one) for _, one in by_name if isinstance(one, str | PathLike)]
    if files or not parts:
        parts.insert(0, raw_tables(files, hints))
    return RawTables(
        tuple(table for part in parts for table in part.tables),
        tuple(one for part in parts for one in part.skipped),
        tuple(note for part in parts for note in part.notes),
    )


def _read_export_argument(name: str, export: object) -> RawTables:
    if isinstance(export, pl.LazyFrame):
        export = export.collect()
    if not isinstance(export, pl.DataFrame) and hasattr(export, "__arrow_c_stream__"):  # pandas and others
        export = pl.DataFrame(export)
    if isinstance(export, pl.DataFrame):
        return RawTables((frame_table(name, export),))
    raise UserError(
        "the exports",
        f"one of them is {_describe_value(export)}",
        "a file, a folder, a database address, a data frame, or a list or dict of these",
        'for example: read_log("bleeds.csv"), read_log({"bleeds": frame})',
    )


def read_or_propose_map(source: MapSource | None) -> ExportMap | None:
    """A map from its file, or as proposed.

    Raises
    ------
    UserError
        The map cannot be read or does not fit, or is none.
    """
    if source is None or isinstance(source, ExportMap):
        return source
    if isinstance(source, ProposedMap):
        return parse_map(source.toml, "the proposed map")
    if isinstance(source, str | PathLike):
        return read_map(fspath(source))
    raise UserError(
        "the map",
        f"is {_describe_value(source)}",
        "the name of a map's file, or what propose_map returned",
        "give one of these",
    )


def _describe_value(value: object) -> str:
    """`a number (42)`: a value in words, for a message."""
    words = {bool: "true or false", int: "a number", float: "a number", dict: "a dict", list: "a list"}
    text = repr(value)
    return f"{words.get(type(value), f'a {type(value).__name__}')} ({text[:60]}{'…' if len(text) > 60 else ''})"
