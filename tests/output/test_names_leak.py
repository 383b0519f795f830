"""Output with hidden names does not depend on the names: two logs that differ only in names give the same bytes with the
same codes, and no spelling of a name is in any file."""

from __future__ import annotations

import csv
import datetime as dt
import html
import io
import json
import random
import re
import unicodedata
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import chdir
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from analysis import read_log, run_audit
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.output import key_path, read_key, write_key
from analysis.pages import prepare_pages
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
            parts = {
                name: packed.read(name).replace(b"\0", b"") for name in packed.namelist()
            }  # numpy's text is UTF-32
            yield from (name + part.decode("utf-8", "replace") for name, part in parts.items())


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


def shop_with_names(folder: Path) -> list[str]:
    """A thousand bleeds with other names: in notes, a workshop, the heading and the values of an own column, a letter."""
    folder.mkdir()
    sessions = pl.read_csv(exports() / "sessions.csv", infer_schema=False)
    people = sorted(sessions.get_column("technician").unique())
    names = [f"{UNLIKE_WORDS[n % len(UNLIKE_WORDS)]} Xq{chr(97 + n)}" for n in range(len(people) - 1)] + ["Xqzev"]
    new = dict(zip(people, names, strict=True))
    shop = sessions.get_column("shop")[0]
    own = sessions.get_column("technician").replace(new)
    sessions = sessions.with_columns(
        own, pl.format("with {}", own.reverse()).alias("note"), pl.col("shop").replace({shop: "Xqzev's yard"}),
        pl.format("bench of {}", own).alias("Bench of Xqzev"), pl.col("minutes").alias("Xqzev noted"),
    )  # fmt: skip
    sessions.write_csv(folder / "sessions.csv")
    for path in exports().glob("*.csv"):
        if path.name != "sessions.csv":
            table = pl.read_csv(path, infer_schema=False)
            table = table.with_columns(pl.col("technician").replace(new)) if "technician" in table.columns else table
            table.write_csv(folder / path.name)
    (folder / "map.toml").write_text(
        '[sessions.own.bench_of_xqzev]\nheading = "Bench of Xqzev"\nrole = "context"\n'
        '[sessions.own.xqzev_noted]\nheading = "Xqzev noted"\ntype = "number"\nrole = "sign"\n',
        "utf-8",
    )
    (folder / "letter.txt").write_text("Please bring {bike}. Xqzev, service lead", "utf-8")
    return names


@pytest.mark.slow
def test_no_spelling_of_a_name_is_in_two_whole_audits_with_model_pictures_and_own_fields(tmp_path: Path) -> None:
    """Every table, picture, page, sheet, letter and the model; the second audit compares with the first one."""
    names = shop_with_names(tmp_path / "in")
    bleeds, own = str(tmp_path / "in"), ("bench_of_xqzev", "xqzev_noted")
    options = AuditOptions(
        (bleeds,), tmp_path / "may", f"{bleeds}/map.toml", as_of=dt.date(2026, 5, 31), hide_names=True, parquet=True,
        extra=own, groups=("Bench of Xqzev", "technician"), letter=f"{bleeds}/letter.txt",
        returns_from=(("Xqzev's yard", dt.date(2024, 2, 1)),),
    )  # fmt: skip
    first = audit_exports(options)
    second = audit_exports(replace(options, out=tmp_path / "june", as_of=dt.date(2026, 6, 30), since=tmp_path / "may"))
    for folder, result in (("may", first), ("june", second)):
        assert (tmp_path / folder / "model.npz").exists()
        assert len(result.report.data.extra) == 2
        assert_hidden(tmp_path / folder, result.text, names)
    assert second.report.changes.height
    assert second.report.predictions.height
    code = read_key(tmp_path / "may.names.csv")["Xqzev"]
    assert f"{code}, service lead" in (tmp_path / "june" / "recall_letters.txt").read_text("utf-8")
    assert f"{code}'s yard" in second.report.rates.get_column("group")
    read_again = run_audit(read_log(str(tmp_path / "may" / "log")))
    texts = [repr(read_again), repr(read_again.log), *(page.text for page in prepare_pages(read_again)())]
    assert not [name for name in names for text in texts if name.casefold() in text.casefold()]


def test_an_own_field_called_after_somebody_can_be_used_and_is_hidden(tmp_path: Path) -> None:
    (tmp_path / "bleeds.csv").write_text(
        "session_id,bike_id,brake,technician,started_at,Wren check\n"
        + "".join(f"S{n},b{n},front,Wren,2026-01-{n + 1:02},{n}\n" for n in range(12))
    )
    (tmp_path / "map.toml").write_text('[sessions.own.wren_check]\nheading = "Wren check"\ntype = "number"\n')
    options = AuditOptions(
        (str(tmp_path / "bleeds.csv"),), tmp_path / "out", str(tmp_path / "map.toml"), hide_names=True,
        extra=("wren_check",), pages=False,
    )  # fmt: skip
    result = audit_exports(options)
    assert [own.name.count("wren") for own in result.report.data.extra] == [0]
    assert_hidden(tmp_path / "out", result.text, ["Wren"])
