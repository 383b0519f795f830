"""Kill audits at random moments and inspect their folder.

Run as a process of its own, which does nothing else but fork: `python -m tests.output.killed WORK KILLS SEED WHAT`.
WORK holds `a` and `b`, two exports, and for `writing` also `a.pickle` and `b.pickle`, their audits: then a child only
writes; for `whole` a child audits from the exports on. Prints one word a kill (before, after, or what
is wrong), then what stands beside the folder after a last run that nobody kills.
"""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import random
import signal
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.output import run_folder, write_log, write_manifest, write_tables


def digest(out: Path) -> str:
    """Every file's name and bytes; of the manifest all but the seconds and its checksum."""
    result = hashlib.sha256()
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        data = path.read_bytes()
        if path.name == "manifest.json":
            manifest = json.loads(data)
            manifest.pop("seconds")
            manifest.pop("sha256")
            data = json.dumps(manifest).encode()
        result.update(str(path.relative_to(out)).encode() + b"\0" + hashlib.sha256(data).digest())
    return result.hexdigest()


def write(pickled: Path, out: Path) -> None:
    """The last part of an audit: its pages and tables into the folder."""
    report, sample = pickle.loads(pickled.read_bytes())
    with run_folder(out, "audit") as folder:
        write_log(folder, report.log)
        write_tables(folder, report)
        for page in sample:
            (folder / page.file).write_text(page.text, encoding="utf-8")
        write_manifest(folder, report, ())


def audit(exports: Path, out: Path) -> None:
    audit_exports(AuditOptions((str(exports),), out))


def main(work: Path, kills: int, number: random.Random, what: str) -> None:
    """Two logs take turns in one folder; each run is killed somewhere, every other one in its last moments."""
    out = work / "out"
    runs = [
        partial(write, work / f"{name}.pickle", out) if what == "writing" else partial(audit, work / name, out)
        for name in "ab"
    ]
    whole, lasts = [], 0.0
    for run in runs:
        began = time.perf_counter()
        in_a_child(run)
        lasts = time.perf_counter() - began
        whole.append(digest(out))
    stands = 1
    for kill in range(kills):
        in_a_child(runs[1 - stands], killed_after=number.uniform(0.7 * (kill % 2), 1.1) * lasts)
        matches = digest(out if out.exists() else out.with_name(".out.old"))
        if matches not in whole:
            print("a mix:", sorted(str(p.relative_to(work)) for p in work.rglob("*")))
            return
        print("before" if matches == whole[stands] else "after")
        stands = whole.index(matches)
    in_a_child(runs[1 - stands])
    other = sorted(p.name for p in work.iterdir() if p.name[:1] == ".")
    print("left beside:", other, "the next run's own:", digest(out) == whole[1 - stands])


def in_a_child(run: Callable[[], None], killed_after: float | None = None) -> None:
    """A run in a forked child, killed so many seconds after it begins (None: never)."""
    child = os.fork()
    if child == 0:
        run()
        os._exit(0)
    if killed_after is not None:
        time.sleep(killed_after)
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), random.Random(int(sys.argv[3])), sys.argv[4])
