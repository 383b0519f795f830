"""With names hidden no output tells a technician's name, in any byte of any file."""

from __future__ import annotations

import csv
import random
import shutil
from pathlib import Path

import polars as pl
import pytest

from analysis.auditing import AuditOrder, audit_exports
from tests.shops import run

NAMES = ("Wren", "Zoë Ångström", "Lee")


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small log with names in notes, ids, own columns, file names and rows set aside."""
    folder = tmp_path_factory.mktemp("hidden")
    (folder / "in").mkdir()
    rows = [
        {
            "session_id": f"{name}-{n:03}",
            "bike_id": f"bike {n}",
            "brake": "front",
            "technician": name if n % 3 else name.upper() if name == "Lee" and n % 2 else name,
            "started_at": f"2026-0{1 + n % 6}-1{n % 9}" if n != 7 else "never",
            "notes": f"asked {NAMES[(n + 1) % 3]} to help; wren's bench" if n % 2 else "=Wren",
            "cycles": "many (Lee)" if n == 5 else "2",
        }
        for n in range(60)
        for name in [NAMES[n % 3]]
    ]
    pl.DataFrame(rows).write_csv(folder / "in" / "bleeds of Wren.csv")
    audit_exports(AuditOrder((str(folder / "in"),), folder / "out", hide_names=True))
    return folder


def found_in(path: Path, names: tuple[str, ...]) -> list[str]:
    text = path.read_bytes().decode("utf-8", "replace").casefold()
    if path.suffix == ".parquet":
        text = pl.read_parquet(path).write_csv().casefold()
    plain = path.name.casefold() + " " + text
    escaped = plain.encode("ascii", "backslashreplace").decode()
    return [
        name
        for name in names
        if name.casefold() in plain or (ascii(name.casefold())[1:-1] in escaped and not name.isascii())
    ]


def test_no_file_of_the_run_holds_a_name(told: Path) -> None:
    for path in (p for p in (told / "out").rglob("*") if p.is_file()):
        assert found_in(path, ("Zoë Ångström", "bleeds of Wren")) == [], path


def test_no_word_of_any_written_table_or_page_is_a_name(told: Path) -> None:
    """Short names also stand inside other words (Lee in sleeve), so they are sought as words of our own tables."""
    for path in [
        *(told / "out" / "tables").glob("*.csv"),
        *(told / "out" / "set_aside_rows").glob("*"),
        told / "out" / "manifest.json",
    ]:
        words = set("".join(c if c.isalnum() else " " for c in path.read_text("utf-8").casefold()).split())
        assert not words & {"wren", "lee", "ångström"}, path


def test_the_key_lies_beside_and_opens_the_codes(told: Path) -> None:
    with (told / "out.names.csv").open(encoding="utf-8") as file:
        key = {row["technician"]: row["code"] for row in csv.DictReader(file)}
    assert set(NAMES) <= set(key)
    assert len(set(key.values())) == len(key)
    coded = pl.read_parquet(told / "out" / "log" / "sessions.parquet").get_column("technician").unique().to_list()
    assert set(coded) <= set(key.values())


def test_the_next_run_keeps_the_codes(told: Path) -> None:
    before = (told / "out.names.csv").read_text("utf-8")
    shutil.rmtree(told / "out")
    audit_exports(AuditOrder((str(told / "in"),), told / "out", hide_names=True, seed=99))
    assert (told / "out.names.csv").read_text("utf-8") == before


def test_the_key_is_its_owners_alone_and_cannot_be_drawn_again(told: Path) -> None:
    assert (told / "out.names.csv").stat().st_mode & 0o077 == 0
    audit_exports(AuditOrder((str(told / "in"),), told / "again", hide_names=True))
    first, again = ((told / f"{place}.names.csv").read_text("utf-8") for place in ("out", "again"))
    assert first != again


def test_codes_tell_no_order(told: Path) -> None:
    """Of three names sorted, the codes are sorted for one seed in six: over twenty seeds never all are."""
    from analysis.intake import read_log
    from analysis.output import coded

    log = read_log([str(told / "in")])
    sorted_codes = 0
    for seed in range(20):
        key = coded(log, {}, random.Random(seed))
        codes = [key[name] for name in sorted(key)]
        sorted_codes += codes == sorted(codes)
    assert sorted_codes < 15


@pytest.mark.slow
def test_a_whole_audit_with_hidden_names_shows_none_of_the_fourteen() -> None:
    names = tuple(run().audited.report.log.sessions.get_column("technician").unique())
    assert len(names) >= 10
    hidden = run(hide_names=True).out
    for path in (p for p in hidden.rglob("*") if p.is_file() and p.suffix in (".csv", ".json", ".parquet")):
        assert found_in(path, names) == [], path
    for page in hidden.glob("*.html"):
        told = page.read_text("utf-8").split('<script type="application/json"')
        body = told[0] + told[1].split("</script>")[0]
        words = set("".join(c if c.isalpha() else " " for c in body).split())
        assert not words & set(names), page
