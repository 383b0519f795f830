"""Output with hidden names does not depend on the names: two logs that differ only in names give the same bytes with the
same codes, and no spelling of a name is in any file."""

from __future__ import annotations

import csv
import html
import io
import json
import random
import re
import unicodedata
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import chdir
from pathlib import Path

import polars as pl
import pytest

from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.output import key_path, write_key
from tests.shops import exports

UNLIKE_WORDS = (
    "Zoë Ångström", "Irmak Öz", "Işıl", "'t Hooft", 'Jim "Ace" Hale', "O’Hara", "Łukasz", "山田太郎", "Ольга", "Straßer",
    "Anne-Marie", "=Wren()", "@Kestrel", "<b>Bob & Co", "Siskin &amp; Sons", "back\\slash", "J. P. Siskin", "Quxley  Two",
    "Nguyễn", "wren_owl", "Dunlin7", "{{Linnet}}", "Ortolan;Bunting", "Fieldfare, jun.", "Pipit%20",
)  # fmt: skip
ORDINARY = ("Mineral", "Air", "Front", "sessions", "rear", "technician", "Comeback", "note", "Will", "Other", "true")
HEADINGS = ("Ticket", "Bike", "Brake", "Mechanic", "Begun", "Remark", "fluid_required", "Bench", "cycles")
COLUMNS = dict(zip(("session_id", "bike_id", "brake", "technician", "started_at", "note"), HEADINGS, strict=False))


def ways_to_write(name: str) -> list[str]:
    """Spellings of a name in notes: case, Unicode form, kind of space."""
    composed, difference = unicodedata.normalize("NFC", name), unicodedata.normalize("NFD", name)
    return [name, composed, difference, name.upper(), name.casefold(), name.replace(" ", "\u00a0"), name.title()]


def write_log(folder: Path, names: Sequence[str], rng: random.Random) -> None:
    """Sixty bleeds with names as whole cells, in ids, notes, an own column, a heading, the file's name, rejected rows."""
    folder.mkdir()
    map_lines = ["[sessions.columns]", *(f'{field} = "{heading}"' for field, heading in COLUMNS.items())]
    map_lines += ['fluid_required = "fluid_required"', 'cycles = "cycles"']
    (folder / "map.toml").write_text("\n".join([*map_lines, "[sessions.own.bench]", 'heading = "Bench"\n']), "utf-8")
    text = io.StringIO()
    write = csv.writer(text, quoting=csv.QUOTE_ALL).writerow
    write([*HEADINGS, f"{names[0]} saw it"])
    for n in range(60):
        name, other = names[n % (len(names) - 1)], rng.choice(range(len(names) - 1))
        way = rng.randrange(7)
        note = f"asked {ways_to_write(names[other])[way]} to help and {ways_to_write(name)[way]}'s wheel, 3 mm"
        write([
            f"{name}-{n:03}" if n % 4 else f"{n:03}", f"bike{n % 20}_{name}" if n % 5 == 0 else f"bike {n % 20}",
            "sideways" if n == 9 else "front" if n % 2 else "rear", names[-1] if n == 11 else name,
            "never" if n in (7, 11) else f"2026-0{1 + n % 6}-1{n % 9}", note,
            "mineral" if n % 3 else "dot4", f"place of {name}", f"many ({name})" if n == 5 else "2", name if n == 3 else "",
        ])  # fmt: skip
    visible = re.sub(r"[/\x00]", "", names[1])
    (folder / f"log_{visible}_2025.csv").write_text(text.getvalue(), "utf-8", newline="")


def hidden_run(folder: Path, names: Sequence[str], seed: int) -> tuple[dict[str, bytes], str]:
    """Every file of a run, and what it said, without the checksums and times that differ between any two runs."""
    folder.mkdir()
    write_log(folder / "in", names, random.Random(seed))
    out = folder / "out"
    write_key(key_path(out), {name: f"T-{sign * 3}" for name, sign in zip(names, "BCDFGH", strict=False)})
    with chdir(folder):
        said = audit_exports(AuditOptions(("in",), Path("out"), "in/map.toml", hide_names=True, parquet=True)).text
    return {str(path.relative_to(out)): _timeless(path) for path in _files(out)}, said


def _timeless(path: Path) -> bytes:
    text = path.read_bytes()
    if path.suffix not in (".json", ".html"):
        return text
    text = re.sub(rb"[0-9a-f]{64}", b"", text)
    return re.sub(rb'"seconds": \{[^}]*\}', b"", text) if path.name == "manifest.json" else text


def _files(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


def compare(place: Path, names: Sequence[str], seed: int) -> None:
    files, said = hidden_run(place / "real", names, seed)
    others, other_said = hidden_run(place / "other", [f"Xqzv{sign}" for sign in "abcdef"[: len(names)]], seed)
    assert said == other_said
    assert files.keys() == others.keys()
    for name, matches in files.items():
        assert matches == others[name], (name, names)


def some_names(rng: random.Random, pool: Sequence[str]) -> list[str]:
    return rng.sample(pool, 4)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("pool", [UNLIKE_WORDS, ORDINARY], ids=["unlike words", "ordinary words"])
def test_the_output_of_a_run_with_hidden_names_does_not_depend_on_them(
    tmp_path: Path, pool: tuple[str, ...], seed: int
) -> None:
    """A name that is an ordinary word is hidden in the log's data, and our own texts keep the word."""
    compare(tmp_path, some_names(random.Random(seed), pool), seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 160))
def test_the_output_of_many_runs_with_hidden_names_does_not_depend_on_them(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    compare(tmp_path, some_names(rng, UNLIKE_WORDS + ORDINARY), seed)


def spellings(name: str) -> set[str]:
    """Every way in which a file or a page may hold a name, in small letters."""
    forms = {unicodedata.normalize(form, name) for form in ("NFC", "NFD", "NFKC", "NFKD")}
    forms |= set(ways_to_write(name))
    escaped = {change(form) for form in forms for change in (html.escape, _json, _json_ascii, _doubled, repr)}
    return {form.casefold() for form in forms | {one.strip("\"'") for one in escaped}}


def _json(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)[1:-1]


def _json_ascii(text: str) -> str:
    return json.dumps(text)[1:-1]


def _doubled(text: str) -> str:
    return text.replace('"', '""')


def texts_of(path: Path) -> Iterator[str]:
    """What a file holds, taken apart where it is packed."""
    raw = path.read_bytes()
    yield path.name
    yield raw.decode("utf-8", "replace")
    yield raw.decode("utf-16-le", "ignore")
    if path.suffix == ".parquet":
        table = pl.read_parquet(path)
        yield " ".join([*table.columns, *(str(cell) for row in table.iter_rows() for cell in row)])
    if zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as packed:
            yield from (name + packed.read(name).decode("utf-8", "replace") for name in packed.namelist())


def assert_hidden(out: Path, said: str, names: Sequence[str]) -> None:
    sought = {form: name for name in names for form in spellings(name)}
    for place, text in [("terminal", said), *((str(p), text) for p in _files(out) for text in texts_of(p))]:
        small = text.casefold()
        assert not [sought[form] for form in sought if form in small], place


@pytest.mark.parametrize("seed", range(2))
def test_no_spelling_of_a_name_is_in_any_file(tmp_path: Path, seed: int) -> None:
    names = some_names(random.Random(seed), UNLIKE_WORDS)
    _, said = hidden_run(tmp_path / "run", names, seed)
    assert_hidden(tmp_path / "run" / "out", said, names)


@pytest.mark.slow
def test_no_spelling_of_a_name_is_in_a_whole_audit_with_model_and_pictures(tmp_path: Path) -> None:
    """A thousand bleeds, so that every table, picture and the model file are written."""
    (tmp_path / "in").mkdir()
    sessions = pl.read_csv(exports() / "sessions.csv", infer_schema=False)
    people = sorted(sessions.get_column("technician").unique())
    new = {old: f"{UNLIKE_WORDS[n % len(UNLIKE_WORDS)]} Xq{chr(97 + n)}" for n, old in enumerate(people)}
    notes = [f"with {name}" for name in sessions.get_column("technician").replace(new).to_list()[::-1]]
    sessions = sessions.with_columns(pl.col("technician").replace(new), note=pl.Series(notes))
    sessions.write_csv(tmp_path / "in" / "sessions.csv")
    for path in exports().glob("*.csv"):
        if path.name != "sessions.csv":
            table = pl.read_csv(path, infer_schema=False)
            table = table.with_columns(pl.col("technician").replace(new)) if "technician" in table.columns else table
            table.write_csv(tmp_path / "in" / path.name)
    said = audit_exports(AuditOptions((str(tmp_path / "in"),), tmp_path / "out", hide_names=True, parquet=True)).text
    assert (tmp_path / "out" / "model.skops").exists()
    assert_hidden(tmp_path / "out", said, list(new.values()))
