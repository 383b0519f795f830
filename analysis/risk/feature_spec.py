"""Which columns the risk is told from, block by block, and what each speaks of."""

from __future__ import annotations

import polars as pl

from analysis.risk.features import CONTEXT_CATEGORIES, CONTEXT_NUMBERS, HISTORY, MISSED, READINGS, BleedFeatures
from analysis.risk.preprocessing import Column

BLOCKS = (
    "step", "step past the signs", "unrecorded", "context", "technician", "brake_model", "reading", "history", "sign", "seen",
    "sign unrecorded", "air", "together",
)  # fmt: skip
"""In the order of the columns; each block's ridge is estimated but those of `PRIOR_PENALTIES`."""
PRIOR_PENALTIES = {"reading": 3000.0, "history": 3000.0}
"""Ridges of blocks too small for an estimate of their own: next to nothing until returns are counted in thousands."""
PRIOR_VARIANCES = {
    "step": 0.003, "step past the signs": 0.1, "unrecorded": 0.001, "context": 0.001, "technician": 0.003,
    "brake_model": 0.003, "sign": 0.001, "seen": 0.03, "sign unrecorded": 0.003, "air": 0.5, "together": 0.003,
}  # fmt: skip
"""The variance a block's coefficients usually have beside all others: once the air is known, steps, work, hands and single
readings add little; leaks no reading tells of. Chosen on simulated workshops of five families."""
PRIOR_DF = 5.0
"""Columns perfectly known that this counts as: returns in hundreds leave little of a variance to be told, in thousands
much."""
TECHNICIAN_BLOCK = "technician"
TRAVEL, FIRST, LAST, PUMPED, FIRM, LEAK = "travel", "bubbles_first", "bubbles_last", "pump_gain", "hard_pull", "leak"
AIR = "air"


def work_columns(features: BleedFeatures) -> list[Column]:
    """What was done, on what, by whom: steps missed and not recorded, context, technician and model.

    Steps that work past the signs have a ridge of their own: beside the signs they keep their effect, the others little.
    """
    table, steps = features.table, features.steps
    columns = [Column(f"missed {s}", "true", MISSED + s, _block(features, s), f"step {s}") for s in steps]
    columns += [Column(f"unrecorded {s}", "null", MISSED + s, "unrecorded", f"unrecorded {s}") for s in steps]
    for word in CONTEXT_CATEGORIES:
        columns += [Column(f"{word} {level}", "is", word, "context", word, level) for level in _levels(table, word)[1:]]
    for number in CONTEXT_NUMBERS:
        columns += [
            Column(number, "linear", number, "context", number),
            Column(f"unrecorded {number}", "null", number, "context", number),
        ]
    for group in (TECHNICIAN_BLOCK, "brake_model"):
        columns += [Column(f"{group} {level}", "is", group, group, group, level) for level in _levels(table, group)]
    return columns


def reading_columns() -> list[Column]:
    """How much was done (cycles, volumes flushed, waiting), and what was known of technician and model before."""
    columns = [Column(f"log {name}", "log", name, "reading", name) for name in (*READINGS, "flush_ratio")]
    for name in HISTORY:
        theme = "brake_model" if name == "model_rate" else TECHNICIAN_BLOCK
        columns.append(Column(name, "log" if name == "technician_bleeds" else "linear", name, "history", theme))
    return columns


def sign_columns() -> list[Column]:
    """What was seen afterwards, reading by reading. Only bends that flatten: a line in millimetres foretells too much at
    its far end."""
    measured = (
        ("travel_excess_mm", TRAVEL), ("bubbles_first", FIRST), ("bubbles_last", LAST), ("pump_gain_mm", PUMPED),
    )  # fmt: skip
    columns = [Column(f"log {name}", "log", name, "sign", theme) for name, theme in measured]
    columns += [
        Column("not firm", "false", "hard_pull_firm", "seen", FIRM),
        Column("leak seen", "true", "leak_seen", "seen", LEAK),
    ]
    return columns + [
        Column(f"unrecorded {name}", "null", name, "sign unrecorded", f"unrecorded {theme}")
        for name, theme in (*measured, ("hard_pull_firm", FIRM))
    ]


def air_columns(features: BleedFeatures) -> list[Column]:
    """The air that all readings tell of together, and how it goes with steps that work past them: a brake that leaks goes
    soft whatever air is left, so that the two may add up rather than multiply. Told by where the air comes from."""
    columns = [Column(AIR, "whole", AIR, "air", AIR), Column("air squared", "square", AIR, "together", AIR)]
    return columns + [
        Column(f"air with missed {s}", "times", AIR, "together", f"step {s}", MISSED + s) for s in features.past_signs
    ]


def sort_by_block(columns: list[Column]) -> list[Column]:
    """Block after block, as the ridges need them."""
    return sorted(columns, key=lambda column: BLOCKS.index(column.block))


def _block(features: BleedFeatures, step: str) -> str:
    return "step past the signs" if step in features.past_signs else "step"


def _levels(table: pl.DataFrame, name: str) -> list[str]:
    return table.get_column(name).drop_nulls().unique().sort().to_list()
