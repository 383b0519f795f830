"""The key to hidden names: a code for each technician, in a file next to the run's folder that its owner alone can read."""

from __future__ import annotations

import csv
import io
import os
import random
import re
from collections.abc import Iterable
from pathlib import Path

import polars as pl

from analysis.errors import UserError
from analysis.intake import Log
from analysis.output.write import csv_text

LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
SHORTEST_CODE = 3
FORMULA = re.compile(r"'*[=+\-@\t\r]")
LARGEST_KEY_BYTES = 64 * 2**20


def key_path(out: str | Path) -> Path:
    """Where the key to the codes of a run is kept: next to its folder, not in it."""
    target = Path(out).absolute()
    return target.with_name(target.name + ".names.csv")


def read_key(path: Path) -> dict[str, str]:
    """Codes by name from an earlier run's key; none where there is no file.

    Raises
    ------
    UserError
        The file is not a key, or two of its rows have the same name or code.
    """
    if not path.exists():
        return {}
    expected = "a file with the columns technician, code"
    try:
        if not path.is_file() or path.stat().st_size > LARGEST_KEY_BYTES:
            raise UserError(str(path), "is not a key to names", expected, "move it away")
        text = path.read_bytes().decode("utf-8-sig")
        csv.field_size_limit(max(csv.field_size_limit(), len(text)))
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        pairs = [(_without_apostrophe(row["technician"]), row["code"].strip()) for row in rows]
    except (OSError, UnicodeDecodeError, KeyError, TypeError, AttributeError, csv.Error) as error:
        raise UserError(str(path), "is not a key to names", expected, "move it away") from error
    for number, (name, code) in enumerate(pairs, 2):
        if not name.strip() or not code:
            raise UserError(f"{path}, row {number}", "has no name or no code", expected, "correct or remove that row")
    for what, used in (("technician", [name for name, _ in pairs]), ("code", [code for _, code in pairs])):
        twice = next((one for one in used if used.count(one) > 1), None) if len(set(used)) < len(used) else None
        if twice is not None:
            raise UserError(
                str(path), f"the {what} {twice!r} is in two rows", f"each {what} once", "correct or remove one of them"
            )
    return dict(pairs)


def key_text(codes: dict[str, str]) -> str:
    """The key as CSV, sorted by code; a name that a spreadsheet would take for a formula gets an apostrophe."""
    rows = sorted(codes.items(), key=lambda pair: pair[1])
    names = [f"'{name}" if FORMULA.match(name) else name for name, _ in rows]
    return csv_text(pl.DataFrame({"technician": names, "code": [code for _, code in rows]}))


def write_key(path: Path, codes: dict[str, str]) -> None:
    """The key as a file that its owner alone can read; the earlier one stays until the new one is whole.

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
        raise UserError(
            str(path), f"cannot be written: {error.strerror}", "room for the key to names", "name another --out"
        ) from error


def assign_codes(log: Log, known: dict[str, str], rng: random.Random) -> dict[str, str]:
    """A code for every technician of the log: those already known keep theirs, new ones get random letters.

    Anyone who knows the names and the seed of `rng` can draw the codes again: use `random.SystemRandom()` in earnest.
    """
    tables = (log.sessions, log.technicians, log.coaching)
    names = {name for table in tables for name in table.get_column("technician").drop_nulls()}
    return codes_for_names(names | set(log.names), known, rng)


def codes_for_names(names: Iterable[str], known: dict[str, str], rng: random.Random) -> dict[str, str]:
    """A code for each of these names, as in `assign_codes`."""
    new = sorted(set(names) - known.keys())
    used = {*known.values(), *new, *known}
    length = SHORTEST_CODE
    while len(LETTERS) ** length < 2 * (len(used) + len(new)):
        length += 1
    codes = dict(known)
    for name in new:
        code = _random_code(length, rng)
        while code in used or code.removeprefix("T-") in used:
            code = _random_code(length, rng)
        used.add(code)
        codes[name] = code
    return codes


def _random_code(length: int, rng: random.Random) -> str:
    return "T-" + "".join(rng.choice(LETTERS) for _ in range(length))


def _without_apostrophe(text: str) -> str:
    return text[1:] if text.startswith("'") and FORMULA.match(text) else text
