"""The demo run again in its folder, with and without changes by the user."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest

from analysis.audit_options import AuditOptions
from analysis.commands import demo
from analysis.output import run_folder
from analysis.output.manifest import UNFINISHED
from synthetic import co_operative
from tests.cli.test_command import rebleed


def small_audit(options: AuditOptions, _: object) -> SimpleNamespace:
    """Claim and write a folder as an audit does, without the audit."""
    with run_folder(options.out, "audit", options.exports) as folder:
        (folder / "index.html").write_text("audited")
    return SimpleNamespace(text="", report=None)


def test_the_demo_replaces_its_own_files_but_none_of_the_users(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "co_operative", partial(co_operative, sessions=150))
    monkeypatch.setattr(demo, "audit_exports", small_audit)
    monkeypatch.setattr(demo, "demo_findings", lambda *_: [])
    monkeypatch.setattr(demo, "act_on_list", lambda out, log: out / "exports" / "came-back.csv")
    words = ("demo", "--out", str(tmp_path / "demo"))
    assert rebleed(*words).returncode == 0
    killed = tmp_path / "demo" / ".audit.writing"  # left by a killed run
    killed.mkdir()
    (killed / UNFINISHED).touch()
    (tmp_path / "demo" / ".audit.rebleed-lock").touch()
    assert rebleed(*words).returncode == 0
    assert sorted(os.listdir(tmp_path)) == ["demo"]
    assert sorted(os.listdir(tmp_path / "demo")) == [
        "audit",
        "exports",
        "last-month",
        "manifest.json",
        "map.toml",
        "planted_problems.txt",
    ]
    for name in ("audit/notes.txt", "map.toml"):
        path = tmp_path / "demo" / name
        before = path.read_text() if path.exists() else None
        path.write_text("ask Wren")
        result = rebleed(*words)
        assert (result.returncode, name in result.stderr) == (2, True)
        assert path.read_text() == "ask Wren"
        path.unlink() if before is None else path.write_text(before)
