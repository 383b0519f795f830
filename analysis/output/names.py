"""Technicians' names behind codes that tell no order, everywhere a name could stand; the key is kept beside the run."""

from __future__ import annotations

import csv
import io
import os
import random
import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl

from analysis.errors import CannotRun
from analysis.intake import Log
from analysis.output.csv_text import csv_text

LETTERS = "BCDFGHJKLMNPQRSTVWXZ"


def key_path(out: str | Path) -> Path:
    """Where the key to the codes of a run lies: beside its folder, not in it."""
    target = Path(out).absolute()
    return target.with_name(target.name + ".names.csv")


def read_key(path: Path) -> dict[str, str]:
    """Codes by name from an earlier run's key; none where there is no file.

    Raises
    ------
    CannotRun
        The file is not a key.
    """
    if not path.exists():
        return {}
    try:
        rows = list(csv.DictReader(io.StringIO(path.read_text("utf-8"))))
        return {_bare(row["technician"]): row["code"] for row in rows}
    except (OSError, UnicodeDecodeError, KeyError, TypeError) as error:
        raise CannotRun(str(path), "is not a key to names", "columns technician, code", "move it away") from error


def key_text(codes: dict[str, str]) -> str:
    """The key as CSV, sorted by code."""
    rows = sorted(codes.items(), key=lambda pair: pair[1])
    return csv_text(pl.DataFrame({"technician": [n for n, _ in rows], "code": [c for _, c in rows]}))


def write_key(path: Path, codes: dict[str, str]) -> None:
    """The key as a file that its owner alone can read; the earlier one stands until the new one is whole.

    Raises
    ------
    CannotRun
        It cannot be written.
    """
    beside = path.with_name(f".{path.name}.writing")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.unlink(missing_ok=True)
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            file.write(key_text(codes))
        beside.replace(path)
    except OSError as error:
        raise CannotRun(
            str(path), f"cannot be written: {error.strerror}", "room for the key to names", "name another --out"
        ) from error


def coded(log: Log, known: dict[str, str], lot: random.Random) -> dict[str, str]:
    """A code for every technician of the log: those already known keep theirs, new ones get letters by lot.

    Whoever knows the names and the seed of `lot` can draw the codes again: give `random.SystemRandom()` in earnest.
    """
    names = set(log.sessions.get_column("technician")) | set(log.technicians.get_column("technician"))
    names |= set(log.coaching.get_column("technician")) | set(_named_in_reasons(log))
    return codes_for(names, known, lot)


def codes_for(names: Iterable[str], known: dict[str, str], lot: random.Random) -> dict[str, str]:
    """A code for each of these names, as in `coded`."""
    free = [f"T-{a}{b}{c}" for a in LETTERS for b in LETTERS for c in LETTERS]
    free = [code for code in free if code not in set(known.values())]
    lot.shuffle(free)
    return known | dict(zip(sorted(set(names) - known.keys()), free, strict=False))


def hidden(log: Log, codes: dict[str, str]) -> Log:
    """The log with every name replaced: key columns, notes, own fields, ids, reasons, file names, rejected rows."""
    scrub = scrubber(codes)
    tables: dict[str, Any] = {
        name: scrubbed(getattr(log, name), codes)
        for name in (
            "sessions",
            "comebacks",
            "passes",
            "technicians",
            "coaching",
            "brakes",
            "links",
            "intake",
            "set_aside",
        )
    }
    return replace(
        log,
        **tables,
        sources=tuple(replace(source, file=scrub(source.file)) for source in log.sources),
        rejected=tuple(replace(one, file=scrub(one.file), text=scrub(one.text)) for one in log.rejected),
        warnings=tuple(scrub(warning) for warning in log.warnings),
    )


def scrubbed(frame: pl.DataFrame, codes: dict[str, str]) -> pl.DataFrame:
    """A table with every name replaced in every text of it."""
    scrub = scrubber(codes)
    texts = [name for name, kind in frame.schema.items() if kind == pl.String]
    return frame.with_columns(_swapped(frame.get_column(name), codes, scrub) for name in texts)


def _named_in_reasons(log: Log) -> list[str]:
    """Technicians of rows that were set aside: they stand in the rejected rows as they were written."""
    rows = [row for one in log.rejected if one.suffix == ".csv" for row in csv.DictReader(io.StringIO(one.text))]
    heading = "technician"
    return [row[heading].strip() for row in rows if row.get(heading)]


def scrubber(codes: dict[str, str]) -> Callable[[str], str]:
    """What replaces every name in a text, whatever its case, where it stands as a word."""
    names = sorted((name for name in codes if name.strip()), key=len, reverse=True)
    if not names:
        return lambda text: text
    pattern = re.compile(r"(?<!\w)(" + "|".join(re.escape(name) for name in names) + r")(?!\w)", re.IGNORECASE)
    folded = {name.casefold(): code for name, code in codes.items()}
    return lambda text: pattern.sub(lambda found: folded[found.group(0).casefold()], text)


def _swapped(column: pl.Series, codes: dict[str, str], scrub: Callable[[str], str]) -> pl.Series:
    if column.name == "technician":
        return column.replace(codes)
    distinct = column.drop_nulls().unique()
    changed = {text: new for text in distinct if (new := scrub(text)) != text}
    return column.replace(changed) if changed else column


def _bare(text: str) -> str:
    return text[1:] if text.startswith("'") else text
