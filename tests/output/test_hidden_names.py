"""With hidden names no output file contains a technician's name."""

from __future__ import annotations

import csv
import os
import random
import shutil
import time
from pathlib import Path

import polars as pl
import pytest

from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.errors import UserError
from analysis.intake import Log, read_log
from analysis.output import NameSearch, assign_codes, codes_for_names, pseudonymise, read_key, write_key
from tests.shops import run

NAMES = ("Wren", "Zoë Ångström", "Lee")


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small log with names in notes, IDs, own columns, file names and rejected rows."""
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
    audit_exports(AuditOptions((str(folder / "in"),), folder / "out", hide_names=True))
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


def test_no_file_of_the_run_contains_a_name(result: Path) -> None:
    for path in (p for p in (result / "out").rglob("*") if p.is_file()):
        assert found_in(path, ("Zoë Ångström", "bleeds of Wren")) == [], path


def test_no_word_of_any_written_table_or_page_is_a_name(result: Path) -> None:
    """Short names also occur inside other words (Lee in sleeve), so whole words are searched."""
    for path in [
        *(result / "out" / "tables").glob("*.csv"),
        *(result / "out" / "set_aside_rows").glob("*"),
        result / "out" / "manifest.json",
    ]:
        words = set("".join(c if c.isalnum() else " " for c in path.read_text("utf-8").casefold()).split())
        assert not words & {"wren", "lee", "ångström"}, path


def test_the_key_is_next_to_the_folder_and_gives_the_names(result: Path) -> None:
    with (result / "out.names.csv").open(encoding="utf-8") as file:
        key = {row["technician"]: row["code"] for row in csv.DictReader(file)}
    assert set(NAMES) <= set(key)
    assert len(set(key.values())) == len(key)
    coded = pl.read_parquet(result / "out" / "log" / "sessions.parquet").get_column("technician").unique().to_list()
    assert set(coded) <= set(key.values())


def test_the_next_run_keeps_the_codes(result: Path) -> None:
    before = (result / "out.names.csv").read_text("utf-8")
    shutil.rmtree(result / "out")
    audit_exports(AuditOptions((str(result / "in"),), result / "out", hide_names=True, seed=99))
    assert (result / "out.names.csv").read_text("utf-8") == before


def test_the_key_is_readable_by_its_owner_only_and_not_reproducible(result: Path) -> None:
    assert (result / "out.names.csv").stat().st_mode & 0o077 == 0
    audit_exports(AuditOptions((str(result / "in"),), result / "again", hide_names=True))
    first, again = ((result / f"{place}.names.csv").read_text("utf-8") for place in ("out", "again"))
    assert first != again


def test_codes_do_not_reveal_an_order(result: Path) -> None:
    """Of three names sorted, the codes are sorted for one seed in six: over twenty seeds never all are."""
    log = read_log([str(result / "in")])
    sorted_codes = 0
    for seed in range(20):
        key = assign_codes(log, {}, random.Random(seed))
        codes = [key[name] for name in sorted(key)]
        sorted_codes += codes == sorted(codes)
    assert sorted_codes < 15


HEADS = "session_id,bike_id,brake,technician,started_at,note\n"


def hidden_log(folder: Path, text: str, name: str = "sessions.csv", map_text: str = "") -> tuple[Log, dict[str, str]]:
    """The log with hidden names, and the codes."""
    (folder / name).write_text(text, "utf-8", newline="")
    (folder / "map.toml").write_text(map_text, "utf-8")
    log = read_log([str(folder / name)], str(folder / "map.toml") if map_text else None)
    codes = assign_codes(log, {}, random.Random(1))
    return pseudonymise(log, codes), codes


def test_a_technician_in_rejected_rows_only_is_hidden_under_any_heading(tmp_path: Path) -> None:
    columns = 'session_id = "Job"\nbike_id = "Bike"\nbrake = "Brake"\ntechnician = "Mechanic"\nstarted_at = "Begun"\n'
    rows = "Job,Bike,Brake,Mechanic,Begun\n1,B1,front,Wren,2026-01-05\n2,B2,rear,Kestrel,never\n"
    log, codes = hidden_log(tmp_path, rows, map_text="[sessions.columns]\n" + columns)
    assert "Kestrel" not in log.rejected[0].text
    assert f"2,B2,rear,{codes['Kestrel']},never" in log.rejected[0].text


def test_a_name_in_a_heading_is_hidden_in_the_reason(tmp_path: Path) -> None:
    columns = 'session_id = "Job"\nbike_id = "Bike"\nbrake = "Brake"\ntechnician = "Who"\nstarted_at = "Begun"\n'
    rows = "Job,Bike,Brake,Who,Begun,Minutes by Wren\n1,B1,front,Wren,2026-01-05,999\n"
    map_text = "[sessions.columns]\n" + columns + 'minutes = "Minutes by Wren"\n'
    log, codes = hidden_log(tmp_path, rows, map_text=map_text)
    (message,) = log.set_aside.get_column("message")
    assert message.startswith(f"Minutes by {codes['Wren']}: 999 is outside 2 to 480 min")
    assert "Wren" not in message


def test_a_line_that_cannot_be_read_is_not_shown(tmp_path: Path) -> None:
    log, _ = hidden_log(tmp_path, HEADS + "1,B1,front,Wren,2026-01-05,\n2,B2,rear,Kestrel,2026-01-05,a,b,c\n")
    visible = log.set_aside.write_csv() + "".join(one.text for one in log.rejected)
    assert "Kestrel" not in visible
    assert "8 cells but only 6 headings" in visible


def test_a_name_with_quotes_is_hidden_in_the_rejected_rows(tmp_path: Path) -> None:
    log, codes = hidden_log(tmp_path, HEADS + '1,B1,front,"Jim ""Ace"" Hale",never,\n2,B2,rear,Wren,2026-01-05,\n')
    assert "Ace" not in log.rejected[0].text
    assert codes['Jim "Ace" Hale'] in log.rejected[0].text


def test_there_are_codes_for_more_technicians_than_three_letters_allow() -> None:
    names = [f"Tech {n}" for n in range(8200)]
    codes = codes_for_names(names, {}, random.Random(3))
    assert set(codes) == set(names)
    assert len(set(codes.values())) == 8200


@pytest.mark.parametrize("name", ["log_Wren_2025.csv", "logWren2025.csv", "WREN.csv", "wren-3.csv"])
def test_a_name_in_a_file_name_is_hidden(tmp_path: Path, name: str) -> None:
    log, codes = hidden_log(tmp_path, HEADS + "1,B1,front,Wren,2026-01-05,\n2,B2,rear,Wren,never,\n", name)
    files = [
        log.sources[0].file,
        log.rejected[0].file,
        *log.sessions["file"],
        *log.intake["file"],
        *log.set_aside["file"],
    ]
    assert all(codes["Wren"] in file and "wren" not in file.casefold() for file in files)


@pytest.mark.parametrize(
    "content",
    ["Zoe\u0308 A\u030angstro\u0308m", "Zoë\u00a0Ångström", "ZOË  ÅNGSTRÖM", "Zoe Angstrom", "Zo\u200bë Ångström"],
)
def test_a_name_is_hidden_in_any_spelling(content: str) -> None:
    search = NameSearch({"Zoë Ångström": "T-BCD"})
    assert search.hide(f"ask {content}, please") == "ask T-BCD, please"


def test_names_in_turkish_capitals_are_hidden() -> None:
    search = NameSearch({"Irmak": "T-BCD", "Işıl": "T-FGH"})
    assert search.hide("İrmak, IRMAK, ırmak; IŞIL, işıl, İŞİL") == "T-BCD, T-BCD, T-BCD; T-FGH, T-FGH, T-FGH"


def test_a_name_is_hidden_as_a_word_but_not_inside_one() -> None:
    search = NameSearch({"Lee": "T-BCD", "Tech1": "T-FGH", "Lee Ray": "T-JKL", "7": "T-MNP"})
    text = "sleeve, Leeds, lee_7, 3lee, Tech1, Tech12, Lee Ray's, lee ray, 7 mm"
    assert search.hide(text) == "sleeve, Leeds, T-BCD_7, 3T-BCD, T-FGH, Tech12, T-JKL's, T-JKL, 7 mm"


def test_a_name_in_the_name_of_an_own_column_is_hidden_and_its_step_still_reads_it(tmp_path: Path) -> None:
    map_text = '[sessions.own.wren_check]\nheading = "Check"\ntype = "true/false"\n'
    rows = HEADS.replace("note", "Check") + "1,B1,front,Wren,2026-01-05,yes\n2,B1,front,Lee,2026-01-06,no\n"
    (tmp_path / "standard.toml").write_text(
        '[[step]]\nid = "wren_step"\ntitle = "Wren looked"\nfield = "own.wren_check"\nis = true\n'
    )
    (tmp_path / "sessions.csv").write_text(rows)
    (tmp_path / "map.toml").write_text(map_text)
    order = AuditOptions(
        (str(tmp_path / "sessions.csv"),),
        tmp_path / "out",
        str(tmp_path / "map.toml"),
        (str(tmp_path / "standard.toml"),),
        hide_names=True,
    )
    report = audit_exports(order).report
    assert report.steps.select("recorded", "missed").rows() == [(2, 1)]
    for path in (p for p in (tmp_path / "out").rglob("*") if p.is_file()):
        assert found_in(path, ("wren",)) == [], path


def test_the_technicians_table_is_in_the_order_of_the_codes(tmp_path: Path) -> None:
    rows = "".join(f"{n},B{n},front,Tech {n:02},2026-01-05,\n" for n in range(20))
    log, _ = hidden_log(tmp_path, HEADS + rows)
    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "sessions.csv").write_text(HEADS + rows)
    (tmp_path / "more" / "technicians.csv").write_text(
        "technician,shop\n" + "".join(f"Tech {n:02},S\n" for n in range(20))
    )
    log = read_log([str(tmp_path / "more")])
    codes = assign_codes(log, {}, random.Random(1))
    visible = pseudonymise(log, codes).technicians.get_column("technician").to_list()
    assert len(visible) == 20
    assert visible == sorted(visible)
    assert visible != [codes[f"Tech {n:02}"] for n in range(20)]


def test_two_ids_that_differ_in_the_spelling_of_a_name_stay_different(tmp_path: Path) -> None:
    rows = "Wren-1,bike Wren,front,Wren,2026-01-05,\nwren-1,bike WREN,front,Wren,2026-01-06,\n"
    log, _ = hidden_log(tmp_path, HEADS + rows)
    assert log.sessions.get_column("session_id").n_unique() == 2
    assert log.sessions.get_column("bike_id").n_unique() == 2


def test_a_technician_named_like_a_field_value_changes_no_such_field_or_finding(tmp_path: Path) -> None:
    """DOT 4 where mineral oil is required is the most dangerous finding and must remain."""
    heads = "session_id,bike_id,brake,technician,started_at,fluid_required,fluid_used,note\n"
    people = ("Mineral", "Front", "Air", "sessions")
    rows = [
        f"{n},B{n},front,{people[n % 4]},2026-01-{5 + n:02},mineral,{'dot4' if n == 2 else 'mineral'},{people[n % 4]} did\n"
        for n in range(8)
    ]
    (tmp_path / "sessions.csv").write_text(heads + "".join(rows) + "9,B9,sideways,Front,2026-01-05,mineral,mineral,\n")
    open_run, hidden_run = (
        audit_exports(
            AuditOptions((str(tmp_path / "sessions.csv"),), tmp_path / place, hide_names=place == "hidden")
        ).report
        for place in ("open", "hidden")
    )
    assert hidden_run.holds.equals(open_run.holds)
    assert hidden_run.holds.get_column("priority").to_list() == [1]
    assert hidden_run.set_aside.get_column("message").to_list() == open_run.set_aside.get_column("message").to_list()
    same = ["brake", "fluid_required", "fluid_used"]
    assert hidden_run.log.sessions.select(same).equals(open_run.log.sessions.select(same))
    assert hidden_run.log.sessions.get_column("note").str.starts_with("T-").all()
    assert ",sideways," in hidden_run.log.rejected[0].text
    assert ",mineral,mineral," in hidden_run.log.rejected[0].text


def test_a_message_keeps_its_words_and_hides_its_quotations() -> None:
    search = NameSearch({"sessions": "T-BCD", 'Jim "Ace" Hale': "T-FGH"})
    message = """a/sessions/x.csv: columns not used: 'sessions time', 'Jim "Ace" Hale', as other files of sessions"""
    result = """a/T-BCD/x.csv: columns not used: 'T-BCD time', 'T-FGH', as other files of sessions"""
    assert search.hide_in_message(message) == result
    message = """the technicians 'x' and "y" (2 bleeds): write under [sessions.values]: "Jim \\"Ace\\" Hale" = []"""
    assert search.hide_in_message(message) == message.replace('"Jim \\"Ace\\" Hale"', "'T-FGH'")
    file = "O'sessions: 'x.csv"
    assert search.hide_in_message(f"{file}: not read, of sessions", [file]) == "O'T-BCD: 'x.csv: not read, of sessions"
    assert search.hide_in_message("sessions: not read, of sessions") == "T-BCD: not read, of sessions"


NAMES_FOR_A_KEY = (
    "'t Hooft",
    "=cmd()",
    "'=cmd()",
    "''=",
    "-5",
    "@at",
    'Jim "Ace" Hale',
    "two\nlines",
    "comma, name",
    "a;=1",
    "a;'=1",
)


def test_a_key_is_read_back_as_written(tmp_path: Path) -> None:
    codes = {name: f"T-{n}" for n, name in enumerate(NAMES_FOR_A_KEY)}
    write_key(tmp_path / "key.csv", codes)
    assert read_key(tmp_path / "key.csv") == codes
    cells = [row[0] for row in csv.reader((tmp_path / "key.csv").open(encoding="utf-8", newline=""))]
    assert not [cell for cell in cells if cell.startswith(("=", "@", "-")) and cell != "-5"]  # a number is no formula


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("Wren,T-BCD\nLee,T-BCD\n", "T-BCD"),
        ("Wren,T-BCD\nWren,T-FGH\n", "Wren"),
        ("Wren,\n", "row 2"),
        (",T-BCD\n", "row 2"),
        ("Wren\n", "is not a key"),
    ],
)
def test_a_key_with_repeated_or_empty_entries_is_refused(tmp_path: Path, rows: str, said: str) -> None:
    (tmp_path / "key.csv").write_text("technician,code\n" + rows)
    with pytest.raises(UserError, match=said):
        read_key(tmp_path / "key.csv")


def test_a_key_with_a_long_cell_is_read(tmp_path: Path) -> None:
    (tmp_path / "key.csv").write_text(f"technician,code\n{'x' * 200_000},T-BCD\n")
    assert read_key(tmp_path / "key.csv") == {"x" * 200_000: "T-BCD"}


def test_a_very_long_name_of_a_key_is_searched_for_quickly() -> None:
    search, start = NameSearch({"x" * 200_000: "T-BCD", "Wren": "T-FGH"}), time.process_time()
    texts = pl.Series(["Wren did", "x" * 200_000, "x" * 100])
    assert search.changes(texts) == {"Wren did": "T-FGH did", "x" * 200_000: "T-BCD"}
    assert time.process_time() - start < 5, "it took minutes"


def test_a_key_that_is_not_a_regular_file_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "key.csv")
    with pytest.raises(UserError, match="this is a pipe"):
        read_key(tmp_path / "key.csv")


def test_a_key_among_exports_is_skipped(tmp_path: Path) -> None:
    (tmp_path / "sessions.csv").write_text(HEADS + "1,B1,front,Wren,2026-01-05,\n")
    write_key(tmp_path / "out.names.csv", {"Kestrel": "T-BCD"})
    log = read_log([str(tmp_path)])
    assert log.technicians.is_empty()
    assert any("out.names.csv: skipped (key to hidden names)" in warning for warning in log.warnings)


@pytest.mark.slow
def test_a_whole_audit_with_hidden_names_shows_none_of_fourteen_names() -> None:
    names = tuple(run().audited.report.log.sessions.get_column("technician").unique())
    assert len(names) >= 10
    hidden = run(hide_names=True).out
    for path in (p for p in hidden.rglob("*") if p.is_file() and p.suffix in (".csv", ".json", ".parquet")):
        assert found_in(path, names) == [], path
    for page in hidden.glob("*.html"):
        result = page.read_text("utf-8").split('<script type="application/json"')
        body = result[0] + result[1].split("</script>")[0]
        words = set("".join(c if c.isalpha() else " " for c in body).split())
        assert not words & set(names), page
