"""An audit run apart, its processor seconds and its highest memory told: `python -m tests.scale.measured EXPORTS OUT`."""

import datetime as dt
import json
import resource
import sys
from pathlib import Path

from analysis.auditing import AuditOrder, audit_exports


def main(exports: str, out: str) -> None:
    audit_exports(AuditOrder(exports=(exports,), out=Path(out), as_of=dt.date(2026, 3, 1)))
    used = resource.getrusage(resource.RUSAGE_SELF)
    stages = json.loads((Path(out) / "manifest.json").read_text("utf-8"))["seconds"]
    print(json.dumps({"seconds": used.ru_utime + used.ru_stime, "megabytes": used.ru_maxrss / 1024, "stages": stages}))


if __name__ == "__main__":
    main(*sys.argv[1:])
