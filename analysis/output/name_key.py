"""Hidden names: the key of codes next to the folder of the run, readable by its owner only."""

from __future__ import annotations

import csv
import io
import os
import random
from collections.abc import Iterable
from pathlib import Path

import polars as pl

from analysis.errors import UserError
from analysis.intake import PEOPLE_COLUMNS, Log, read_small_file, remove_guards
from analysis.output.new_file import cannot_write_error
from analysis.output.write import csv_text

CODE_LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
MIN_CODE_LENGTH = 3
MAX_KEY_BYTES = 64 * 2**20


def key_path(out: str | Path) -> Path:
    """Path of the key to a run: next to its folder, not in it."""
    target = Path(out).absolute()
    return target.with_name(target.name + ".names.csv")


def read_key(path: Path) -> dict[str, str]:
    """Codes by name from the key of an earlier run; empty if there is no file.

    Raises
    ------
    UserError
        The file is not a key, or two of its rows have the same name or code.
    """
    if not path.exists():
        return {}
    expected = "a file with the columns technician, code"
    try:
        text = read_small_file(path, expected, "move it", MAX_KEY_BYTES).decode("utf-8-sig")
        csv.field_size_limit(max(csv.field_size_limit(), len(text)))
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        names = remove_guards(pl.Series([row["technician"] for row in rows], dtype=pl.String)).to_list()
        pairs = list(zip(names, [row["code"].strip() for row in rows], strict=True))
    except (UnicodeDecodeError, KeyError, TypeError, AttributeError, csv.Error) as error:
        raise UserError(str(path), "is not a key to names", expected, "move it") from error
    for number, (name, code) in enumerate(pairs, 2):
        if not (name or "").strip() or not code:
            raise UserError(f"{path}, row {number}", "has no name or no code", expected, "correct or remove that row")
    for column, values in (("technician", [name for name, _ in pairs]), ("code", [code for _, code in pairs])):
        repeated = (
            next((value for value in values if values.count(value) > 1), None)
            if len(set(values)) < len(values)
            else None
        )
        if repeated is not None:
            raise UserError(
                str(path),
                f"the {column} {repeated!r} is in two rows",
                f"each {column} once",
                "correct or remove one of them",
            )
    return dict(pairs)


def key_text(codes: dict[str, str]) -> str:
    """The key as CSV, sorted by code; names that a spreadsheet would run as formulas get an apostrophe."""
    rows = sorted(codes.items(), key=lambda pair: pair[1])
    return csv_text(pl.DataFrame(rows, schema={"technician": pl.String, "code": pl.String}, orient="row"))


def write_key(path: Path, codes: dict[str, str]) -> None:
    """Write the key, readable by its owner only; it replaces an earlier key once it is complete.

    Raises
    ------
    UserError
        It cannot be written.
    """
    draft = path.with_name(f".{path.name}.writing")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.unlink(missing_ok=True)
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(key_text(codes))
        draft.replace(path)
    except OSError as error:
        raise cannot_write_error(path, error) from error


def assign_codes(log: Log, existing: dict[str, str], rng: random.Random) -> dict[str, str]:
    """Codes for all technicians of the log; known names keep their codes, new ones get random letters, and
    codes that the log has instead of names stay as they are.

    Anyone who knows the names and the seed of `rng` can draw the codes again: use `random.SystemRandom()` in earnest.
    """
    tables = (log.sessions, log.technicians, log.coaching, log.actions)
    columns = [table.get_column(name) for table in tables for name in PEOPLE_COLUMNS if name in table.columns]
    names = {name for column in columns for name in column.drop_nulls()} | set(log.names)
    return codes_for_names(names - set(existing.values()), existing, rng)


def codes_for_names(names: Iterable[str], existing: dict[str, str], rng: random.Random) -> dict[str, str]:
    """Codes for these names, as in `assign_codes`."""
    new = sorted(set(names) - existing.keys())
    used = {*existing.values(), *new, *existing}
    length = MIN_CODE_LENGTH
    while len(CODE_LETTERS) ** length < 2 * (len(used) + len(new)):
        length += 1
    codes = dict(existing)
    for name in new:
        code = _random_code(length, rng)
        while code in used or code.removeprefix("T-") in used:
            code = _random_code(length, rng)
        used.add(code)
        codes[name] = code
    return codes


def _random_code(length: int, rng: random.Random) -> str:
    return "T-" + "".join(rng.choice(CODE_LETTERS) for _ in range(length))
