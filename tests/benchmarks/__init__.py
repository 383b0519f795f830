"""The audit raced against what a capable analyst would write in a day: `python -m tests.benchmarks`."""
