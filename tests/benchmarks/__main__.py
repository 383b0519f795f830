"""The audit against the peer, printed as tables.

`python -m tests.benchmarks [--sizes 3000,20000] [--times 5] [--seed 1] [--work DIR] [--ours PYTHON]`: same exports, two
threads each, in turns, medians; whole processes, imports counted separately; the audit in an environment of its own, if one
is given.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.race import PROGRAMS, THREADS, Race, raced


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--sizes", default="3000,20000")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path)
    parser.add_argument("--ours", default=sys.executable, metavar="PYTHON")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as passing:
        work = options.work or Path(passing)
        races = [raced(int(size), options.seed, options.times, work, options.ours) for size in options.sizes.split(",")]
    print("\n".join([*whole(races, options.times), "", *stages(races)]))


def whole(races: list[Race], times: int) -> list[str]:
    """Whole processes side by side."""
    lines = [
        f"Median of {times} runs in turns, {THREADS} threads each; ratio: ours over the peer.",
        "| bleeds | ours, s | peer, s | ratio | ratio without imports | ours, MB | peer, MB | ratio |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for race in races:
        seconds, memory = ([race.median(name, of) for name in PROGRAMS] for of in ("seconds", "peak_mb"))
        lines.append(
            f"| {race.sessions:,} | {seconds[0]:.1f} | {seconds[1]:.1f} | {race.ratio('seconds'):.2f} "
            f"| {race.ratio('beyond_imports'):.2f} | {memory[0]:,.0f} | {memory[1]:,.0f} | {race.ratio('peak_mb'):.2f} |"
        )
    return lines


def stages(races: list[Race]) -> list[str]:
    """Each program's stages, seconds."""
    lines = []
    for race in races:
        for name in PROGRAMS:
            report = ", ".join(f"{stage} {seconds:.2f}" for stage, seconds in race.stages(name).items())
            lines.append(f"{race.sessions:,} bleeds, {name}: {report}")
    return lines


if __name__ == "__main__":
    main()
