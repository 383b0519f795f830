"""The command as a mechanic meets it: help at once, one clear message, exit status that tells."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import os
import pty
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from analysis.cli import main
from analysis.commands.options import shop_days_of
from tests.shops import exports

HEAVY = ("polars", "pandera", "altair", "sklearn", "scipy", "skops")
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Told:
    returncode: int
    stdout: str
    stderr: str


def rebleed(*words: str) -> Told:
    """The command in this process; what it would exit with is caught."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    before, sys.argv = sys.argv, ["rebleed", *words]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.argv = before
    return Told(code, out.getvalue(), err.getvalue())


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom analysis.cli import main\nsys.argv = ['rebleed', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print('loaded:', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert "loaded: []" in told.stdout


def test_help_says_what_to_do_first_and_what_it_is_not() -> None:
    told = " ".join(rebleed("--help").stdout.split())
    assert "Start with 'rebleed demo'" in told
    assert "not an inspection" in told


def test_a_missing_file_ends_with_one_short_message(tmp_path: Path) -> None:
    told = rebleed("audit", "nowhere.csv", "--out", str(tmp_path / "out"))
    assert told.returncode == 2
    assert told.stdout == ""
    assert "nowhere.csv" in told.stderr
    assert "Traceback" not in told.stderr
    assert len(told.stderr.splitlines()) <= 12
    assert not (tmp_path / "out").exists()


def test_a_foreign_folder_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    told = rebleed("audit", "nowhere.csv", "--out", str(tmp_path))
    assert told.returncode == 2
    assert "no run of rebleed wrote" in told.stderr


@pytest.mark.parametrize(
    "words", [("audit",), ("audit", "x.csv"), ("nonsense",), ("audit", "x.csv", "--out", "o", "--window", "0")]
)
def test_a_wrong_call_exits_2(words: tuple[str, ...]) -> None:
    assert rebleed(*words).returncode == 2


def test_a_date_that_is_none_is_told(tmp_path: Path) -> None:
    told = rebleed("check", str(exports()), "--as-of", "30.6.2026")
    assert told.returncode == 2
    assert "--as-of" in told.stderr


def test_check_accounts_for_every_row_and_strict_minds_rows_set_aside(tmp_path: Path) -> None:
    good = "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
    (tmp_path / "sessions.csv").write_text(good + "2,b,sideways,Wren,2026-01-06\n")
    told = rebleed("check", str(tmp_path / "sessions.csv"))
    assert told.returncode == 0
    assert "2 rows read = 1 accepted + 1 rejected + 0 duplicates" in told.stdout
    assert "No returns were read" in told.stdout
    assert "sessions.csv row " in told.stdout
    assert rebleed("check", str(tmp_path / "sessions.csv"), "--strict").returncode == 1
    (tmp_path / "sessions.csv").write_text(good)
    assert rebleed("check", str(tmp_path / "sessions.csv"), "--strict").returncode == 0


def test_a_log_of_one_bleed_is_audited_and_says_that_it_cannot_tell(tmp_path: Path) -> None:
    (tmp_path / "sessions.csv").write_text(
        "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
    )
    told = rebleed("audit", str(tmp_path / "sessions.csv"), "--out", str(tmp_path / "out"))
    assert told.returncode == 0, told.stderr
    assert "Too few comebacks" in told.stdout
    assert "Brakes are safety parts" in told.stdout
    assert (tmp_path / "out" / "index.html").exists()


def test_nothing_but_the_findings_stands_on_a_piped_terminal(tmp_path: Path) -> None:
    (tmp_path / "sessions.csv").write_text(
        "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
    )
    assert rebleed("audit", str(tmp_path / "sessions.csv"), "--out", str(tmp_path / "out")).stderr == ""


def test_fields_prints_every_field() -> None:
    told = rebleed("fields").stdout
    assert "lever_travel_after_mm" in told
    assert "tables/steps.csv" in told


def test_a_map_is_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text("mine")
    told = rebleed("map", str(exports()), "--out", str(tmp_path / "map.toml"))
    assert told.returncode == 2
    assert (tmp_path / "map.toml").read_text() == "mine"


def test_simulate_writes_a_workshop_with_its_truth(tmp_path: Path) -> None:
    assert rebleed("simulate", "--out", str(tmp_path / "w"), "--sessions", "50", "--seed", "3").returncode == 0
    assert {"sessions.csv", "comebacks.csv", "truth"} <= {p.name for p in (tmp_path / "w").iterdir()}


def test_a_simulated_workshop_is_an_export_and_a_check_of_it_is_none(tmp_path: Path) -> None:
    """A folder that a run wrote for reading is refused as an export; one written as an export is not."""
    rebleed("simulate", "--out", str(tmp_path / "w"), "--sessions", "50", "--seed", "3")
    assert rebleed("check", str(tmp_path / "w"), "--out", str(tmp_path / "checked")).returncode == 0
    told = rebleed("check", str(tmp_path / "checked"))
    assert told.returncode == 2
    assert "checked" in told.stderr


def test_on_a_terminal_the_stages_are_told_and_gone_at_the_end(tmp_path: Path) -> None:
    """Standard error is a real terminal (a pseudo-terminal's end); standard output stays as it is in a pipe."""
    (tmp_path / "sessions.csv").write_text(
        "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
    )
    ours, theirs = pty.openpty()
    words = ["audit", str(tmp_path / "sessions.csv"), "--out", str(tmp_path / "out")]
    call = [sys.executable, "-c", "from analysis.cli import main; main()", *words]
    with subprocess.Popen(
        call, stdout=subprocess.PIPE, stderr=theirs, cwd=ROOT, env=os.environ | {"TERM": "xterm"}
    ) as run:
        os.close(theirs)
        shown = "".join(iter(lambda: _read(ours), ""))
        assert run.stdout is not None
        told = run.stdout.read().decode()
    os.close(ours)
    assert run.returncode == 0
    assert "pages" in shown
    assert "\x1b[2K" in shown.split("pages")[-1], "the line is cleared"
    assert "\x1b" not in told
    assert "Too few comebacks" in told


def _read(terminal: int) -> str:
    """What stands on the terminal; nothing once its other end is closed, which Linux tells as an error."""
    try:
        return os.read(terminal, 65536).decode(errors="replace")
    except OSError:
        return ""


def test_days_of_recorded_returns_may_be_one_shops() -> None:
    found = shop_days_of(["2025-01-01", "Quay = Street=2025-03-31"], "--returns-to")
    assert found == ((None, dt.date(2025, 1, 1)), ("Quay = Street", dt.date(2025, 3, 31)))


def test_a_shop_that_the_log_does_not_have_ends_with_one_message(tmp_path: Path) -> None:
    told = rebleed("audit", str(exports()), "--out", str(tmp_path / "out"), "--returns-to", "Nowhere=2025-03-31")
    assert told.returncode == 2
    assert "no shop is called 'Nowhere'" in told.stderr
    assert "Velmoor" in told.stderr


def test_a_day_that_is_none_is_named_with_its_option(tmp_path: Path) -> None:
    told = rebleed("audit", str(exports()), "--out", str(tmp_path / "out"), "--returns-from", "Velmoor=soon")
    assert told.returncode == 2
    assert "--returns-from" in told.stderr
