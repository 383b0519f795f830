"""The bytes of a run, its pages among them, do not depend on the settings of the process: only on exports, options and seed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import shops
from tests.output.killed import digest

ROOT = Path(__file__).parents[2]
FEW = ROOT / "tests" / "golden" / "exports"
AUDIT = """
import os, sys
os.umask(int(os.environ.get("TEST_UMASK", "022"), 8))
if os.environ.get("TEST_ONE_CORE"):
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:1])
from analysis.cli import main
sys.argv = ["rebleed", "audit", *sys.argv[1:]]
main()
"""
SETTINGS: tuple[dict[str, str], ...] = (
    {"PYTHONHASHSEED": "0"}, {"PYTHONHASHSEED": "4321"}, {"LC_ALL": "C"}, {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    {"LC_ALL": "de_DE.UTF-8", "LANGUAGE": "de"}, {"TZ": "Pacific/Kiritimati"}, {"TZ": "America/Anchorage"}, {"HOME": "/nowhere"},
    {"XDG_CACHE_HOME": "/nowhere", "XDG_CONFIG_HOME": "/nowhere"}, {"TEST_UMASK": "077"}, {"TEST_ONE_CORE": "1"},
    {"POLARS_MAX_THREADS": "1"}, {"POLARS_FMT_MAX_ROWS": "1", "POLARS_FMT_MAX_COLS": "1", "POLARS_FMT_STR_LEN": "3"},
    {"POLARS_TABLE_WIDTH": "20", "COLUMNS": "20", "LINES": "3"}, {"POLARS_VERBOSE": "0", "POLARS_FMT_TABLE_FORMATTING": "NOTHING"},
    {"NO_COLOR": "1", "TERM": "dumb"}, {"PYTHONUTF8": "0", "PYTHONIOENCODING": "latin-1"}, {"PYTHONOPTIMIZE": "1"},
    {"SOURCE_DATE_EPOCH": "0"}, {"PYTHONWARNINGS": "ignore", "PYTHONUNBUFFERED": "1", "PYTHONDONTWRITEBYTECODE": "1"},
)  # fmt: skip
TOGETHER = {name: value for setting in reversed(SETTINGS) for name, value in setting.items()}


def audited(exports: Path, out: Path, setting: dict[str, str]) -> str:
    """The digest of the folder of an audit in a process with these settings."""
    usual = {name: value for name, value in os.environ.items() if not name.startswith(("POLARS_", "LC_", "PYTHONHASH"))}
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    order = [sys.executable, "-c", AUDIT, str(exports), "--out", str(out)]
    subprocess.run(order, check=True, cwd=ROOT, env=usual | threads | setting, stdout=subprocess.DEVNULL)
    return digest(out)


def test_all_settings_together_change_no_byte(tmp_path: Path) -> None:
    assert audited(FEW, tmp_path / "set", TOGETHER) == audited(FEW, tmp_path / "usual", {})
    assert (tmp_path / "set" / "lead.html").stat().st_size > 10_000


@pytest.mark.slow
def test_each_setting_changes_no_byte_of_an_audit_with_model(tmp_path: Path) -> None:
    usual = audited(shops.exports(), tmp_path / "usual", {})
    assert (tmp_path / "usual" / "model.npz").exists()
    different = [one for at, one in enumerate(SETTINGS) if audited(shops.exports(), tmp_path / str(at), one) != usual]
    assert different == []
