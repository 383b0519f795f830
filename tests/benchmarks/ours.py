"""An audit as the command does it, its imports timed separately: `python -m tests.benchmarks.ours EXPORTS OUT AS_OF`."""

from __future__ import annotations

import datetime as dt
import json
import sys
import time
from pathlib import Path

BEGAN = time.perf_counter()


def main(exports: str, out: Path, as_of: dt.date) -> None:
    from analysis.commands.run_audit import AuditOptions, audit_exports

    stages_began: list[float] = []  # all is imported when the first stage begins
    audit_exports(
        AuditOptions(exports=(exports,), out=out, as_of=as_of), lambda _: stages_began.append(time.perf_counter())
    )
    whole, imports = time.perf_counter() - BEGAN, stages_began[0] - BEGAN
    stages = json.loads((out / "manifest.json").read_text("utf-8"))["seconds"]
    report = {"imports": imports, **stages}
    print(json.dumps({**report, "write": whole - sum(report.values())}))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), dt.date.fromisoformat(sys.argv[3]))
