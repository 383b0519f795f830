"""The command: help, one clear message for errors, and exit statuses."""

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
from analysis.commands.terminal import parse_shop_days
from tests.shops import exports

LARGE_LIBRARIES = ("polars", "pandera", "altair", "sklearn", "scipy")
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class CommandResult:
    """Exit status and output of a command."""

    returncode: int
    stdout: str
    stderr: str


def rebleed(*words: str) -> CommandResult:
    """Run the command in this process and catch its exit status."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    before, sys.argv = sys.argv, ["rebleed", *words]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.argv = before
    return CommandResult(code, out.getvalue(), err.getvalue())


def test_help_imports_no_large_library() -> None:
    code = (
        "import sys\nfrom analysis.cli import main\nsys.argv = ['rebleed', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print('loaded:', [m for m in {LARGE_LIBRARIES!r} if m in sys.modules])"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert "loaded: []" in result.stdout


def test_help_says_where_to_start_and_that_it_is_not_an_inspection() -> None:
    result = " ".join(rebleed("--help").stdout.split())
    assert "Start with 'rebleed demo'" in result
    assert "not an inspection" in result


@pytest.mark.parametrize("words", [(), ("plan",)])
def test_every_command_has_a_summary_of_one_short_line(words: tuple[str, ...]) -> None:
    lines = rebleed(*words, "--help").stdout.partition("Commands:\n")[2].splitlines()
    summaries = [line.split(maxsplit=1)[1] for line in lines if line.strip()]
    assert len(summaries) >= 3
    assert [text for text in summaries if len(text) > 60 or text.endswith("...")] == []


def test_a_missing_file_ends_with_one_short_message(tmp_path: Path) -> None:
    result = rebleed("audit", "nowhere.csv", "--out", str(tmp_path / "out"))
    assert result.returncode == 2
    assert result.stdout == ""
    assert "nowhere.csv" in result.stderr
    assert "Traceback" not in result.stderr
    assert len(result.stderr.splitlines()) <= 12
    assert not (tmp_path / "out").exists()


def test_a_foreign_folder_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    result = rebleed("audit", "nowhere.csv", "--out", str(tmp_path))
    assert result.returncode == 2
    assert "not written by rebleed" in result.stderr


@pytest.mark.parametrize(
    "words", [("audit",), ("audit", "x.csv"), ("nonsense",), ("audit", "x.csv", "--out", "o", "--window", "0")]
)
def test_a_wrong_call_exits_2(words: tuple[str, ...]) -> None:
    assert rebleed(*words).returncode == 2


def test_an_invalid_date_is_refused(tmp_path: Path) -> None:
    result = rebleed("check", str(exports()), "--as-of", "30.6.2026")
    assert result.returncode == 2
    assert "--as-of" in result.stderr


def test_check_accounts_for_every_row_and_strict_fails_on_rejected_rows(tmp_path: Path) -> None:
    good = "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
    (tmp_path / "sessions.csv").write_text(good + "2,b,sideways,Wren,2026-01-06\n")
    result = rebleed("check", str(tmp_path / "sessions.csv"))
    assert result.returncode == 0
    assert "2 read = 1 accepted + 1 rejected + 0 duplicate" in result.stdout
    assert "No returns were read" in result.stdout
    assert "sessions.csv row " in result.stdout
    assert rebleed("check", str(tmp_path / "sessions.csv"), "--strict").returncode == 1
    (tmp_path / "sessions.csv").write_text(good)
    assert rebleed("check", str(tmp_path / "sessions.csv"), "--strict").returncode == 0


def test_a_log_of_one_bleed_is_audited_with_a_note_that_it_is_too_small(tmp_path: Path) -> None:
    (tmp_path / "sessions.csv").write_text(
        "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
    )
    result = rebleed("audit", str(tmp_path / "sessions.csv"), "--out", str(tmp_path / "out"))
    assert result.returncode == 0, result.stderr
    assert "Too few comebacks" in result.stdout
    assert "Brakes are safety-critical parts" in result.stdout
    assert (tmp_path / "out" / "index.html").exists()


def test_a_pipe_gets_no_progress_output(tmp_path: Path) -> None:
    (tmp_path / "sessions.csv").write_text(
        "session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n"
    )
    assert rebleed("audit", str(tmp_path / "sessions.csv"), "--out", str(tmp_path / "out")).stderr == ""


def test_fields_are_aligned_for_a_terminal_and_markdown_on_request() -> None:
    text = rebleed("fields").stdout
    assert "lever_travel_after_mm" in text
    assert "tables/steps.csv" in text
    assert "|" not in text
    assert "| lever_travel_after_mm | number | mm |" in rebleed("fields", "--markdown").stdout


def test_a_map_is_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text("mine")
    result = rebleed("map", str(exports()), "--out", str(tmp_path / "map.toml"))
    assert result.returncode == 2
    assert (tmp_path / "map.toml").read_text() == "mine"


def test_simulate_writes_a_workshop_with_its_true_effects(tmp_path: Path) -> None:
    assert rebleed("simulate", "--out", str(tmp_path / "w"), "--sessions", "50", "--seed", "3").returncode == 0
    assert {"sessions.csv", "comebacks.csv", "truth"} <= {p.name for p in (tmp_path / "w").iterdir()}


def test_a_simulated_workshop_can_be_read_as_an_export_but_the_output_of_a_check_cannot(tmp_path: Path) -> None:
    """Output folders of a run are refused as exports; a simulation is written to be read."""
    rebleed("simulate", "--out", str(tmp_path / "w"), "--sessions", "50", "--seed", "3")
    assert rebleed("check", str(tmp_path / "w"), "--out", str(tmp_path / "checked")).returncode == 0
    result = rebleed("check", str(tmp_path / "checked"))
    assert result.returncode == 2
    assert "checked" in result.stderr


def test_a_terminal_shows_the_stages_and_clears_them_at_the_end(tmp_path: Path) -> None:
    """Standard error is a pseudo-terminal, standard output a pipe."""
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
        visible = "".join(iter(lambda: _read(ours), ""))
        assert run.stdout is not None
        result = run.stdout.read().decode()
    os.close(ours)
    assert run.returncode == 0
    assert "pages" in visible
    assert "\x1b[2K" in visible.split("pages")[-1], "the line is cleared"
    assert "\x1b" not in result
    assert "Too few comebacks" in result


def _read(terminal: int) -> str:
    """Text on the terminal; empty once its other end is closed, which Linux reports as an error."""
    try:
        return os.read(terminal, 65536).decode(errors="replace")
    except OSError:
        return ""


def test_days_of_recorded_returns_may_be_given_per_workshop() -> None:
    days = parse_shop_days(["2025-01-01", "Quay = Street=2025-03-31"], "--returns-to")
    assert days == ((None, dt.date(2025, 1, 1)), ("Quay = Street", dt.date(2025, 3, 31)))


def test_an_unknown_workshop_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    result = rebleed("audit", str(exports()), "--out", str(tmp_path / "out"), "--returns-to", "Nowhere=2025-03-31")
    assert result.returncode == 2
    assert "no workshop is called 'Nowhere'" in result.stderr
    assert "Velmoor" in result.stderr


def test_an_invalid_day_is_reported_with_its_option(tmp_path: Path) -> None:
    result = rebleed("audit", str(exports()), "--out", str(tmp_path / "out"), "--returns-from", "Velmoor=soon")
    assert result.returncode == 2
    assert "--returns-from" in result.stderr
