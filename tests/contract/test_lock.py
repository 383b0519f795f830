"""requirements.lock pins every package by version and hash, without network addresses."""

import re
import tomllib
from pathlib import Path

TOP = Path(__file__).parents[2]
LOCK = (TOP / "requirements.lock").read_text("utf-8")


def test_the_lock_holds_no_address():
    assert "://" not in LOCK


def test_every_package_that_is_needed_is_pinned_with_a_hash():
    needed = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]["dependencies"]
    names = {re.match(r"[A-Za-z0-9_-]+", line)[0].lower() for line in needed}
    pinned = dict(re.findall(r"(?m)^([a-z0-9_.-]+)==(\S+)(?:.*\\)?\n\s+--hash=", LOCK))
    assert names - pinned.keys() == set()
