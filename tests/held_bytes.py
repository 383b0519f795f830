"""Bytes of memory a bleed, as the operating system counts them: `python -m tests.held_bytes SMALL LARGE`, folders of logs.

Printed as JSON: `read` and `designed` at most while reading and while the steps' design is made, `prepared` left
afterwards. What the program itself takes is counted before: the small log is read first.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from analysis.dataset import BleedData, bleed_data
from analysis.intake import read_log
from analysis.standard import built_in
from analysis.steps import build_design


def _status(name: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return 1024 * next(int(line.split()[1]) for line in lines if line.startswith(name))


def _most_since_now() -> None:
    Path("/proc/self/clear_refs").write_text("5")


def _prepared(folder: str) -> BleedData:
    return bleed_data(read_log([folder]), built_in(), 90)


def main(small: str, large: str) -> dict[str, float]:
    first = _prepared(small)
    build_design(first, tuple(first.missed.columns[1:]))
    _most_since_now()
    before = _status("VmRSS")
    log = read_log([large])
    read = _status("VmHWM") - before
    ready = bleed_data(log, built_in(), 90)
    remainder = _status("VmRSS")
    _most_since_now()
    build_design(ready, tuple(ready.missed.columns[1:]))
    designed = _status("VmHWM") - remainder
    bleeds = len(ready.bleeds)
    return {"read": read / bleeds, "prepared": (remainder - before) / bleeds, "designed": designed / bleeds}


if __name__ == "__main__":
    print(json.dumps(main(*sys.argv[1:])))
