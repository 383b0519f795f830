"""Which columns the risk is told from, block by block, and what each speaks of."""

from __future__ import annotations

import polars as pl

from analysis.risk.columns import Column
from analysis.risk.features import CONTEXT_NUMBERS, CONTEXT_WORDS, HISTORY, MISSED, READINGS, BleedFeatures

BLOCKS = (
    "step", "step past the signs", "unrecorded", "context", "technician", "brake_model", "reading", "history", "sign", "sign unrecorded",
    "stand",
)  # fmt: skip
"""In the order of the columns; each block's ridge is estimated but those of `HELD`."""
HELD = {"reading": 3000.0, "history": 3000.0}
"""Ridges of blocks too small for an estimate of their own: next to nothing until returns are counted in thousands."""
USUAL = {
    "step": 0.003, "step past the signs": 0.1, "unrecorded": 0.001, "context": 0.001, "technician": 0.005,
    "brake_model": 0.005, "sign": 0.01, "sign unrecorded": 0.003, "stand": 0.005,
}  # fmt: skip
"""The variance a block's coefficients usually have beside all others: once the signs and what the stand expects of them
are known, steps, work and hands add little; leaks no sign tells of. Chosen on simulated workshops of five families."""
WORTH = 10.0
"""Columns perfectly known that this counts as: returns in hundreds leave little of a variance to be told, in thousands
much."""
OF_AIR, LEANING = ("sign", "stand"), 0.2
"""Blocks whose numbers all rise with trapped air, so that their coefficients are thought to have a part in common: each
column counts with so much of the sum of all."""
PEOPLE = "technician"
TRAVEL, FIRST, LAST, PUMPED, FIRM, LEAK = "travel", "bubbles_first", "bubbles_last", "pump_gain", "hard_pull", "leak"
STAND = ("expected_travel", "expected_bubbles", "travel_by_signs", "bubbles_by_signs")


def work_columns(features: BleedFeatures) -> list[Column]:
    """What was done, on what, by whom: steps missed and not recorded, context, technician and model.

    Steps that work past the signs have a ridge of their own: beside the signs they keep their effect, the others little.
    """
    table, steps = features.table, features.steps
    columns = [Column(f"missed {s}", "true", MISSED + s, _block(features, s), f"step {s}") for s in steps]
    columns += [Column(f"unrecorded {s}", "null", MISSED + s, "unrecorded", f"unrecorded {s}") for s in steps]
    for word in CONTEXT_WORDS:
        columns += [Column(f"{word} {level}", "is", word, "context", word, level) for level in _levels(table, word)[1:]]
    for number in CONTEXT_NUMBERS:
        columns += [
            Column(number, "linear", number, "context", number),
            Column(f"unrecorded {number}", "null", number, "context", number),
        ]
    for group in (PEOPLE, "brake_model"):
        columns += [Column(f"{group} {level}", "is", group, group, group, level) for level in _levels(table, group)]
    return columns


def reading_columns() -> list[Column]:
    """How much was done (cycles, volumes flushed, waiting), and what was known of technician and model before."""
    columns = [Column(f"log {name}", "log", name, "reading", name) for name in (*READINGS, "flush_ratio")]
    for name in HISTORY:
        theme = "brake_model" if name == "model_rate" else PEOPLE
        columns.append(Column(name, "log" if name == "technician_bleeds" else "linear", name, "history", theme))
    return columns


def sign_columns() -> list[Column]:
    """What was seen afterwards. Only bends that flatten: a line in millimetres foretells too much at its far end."""
    bent = (
        ("travel_excess_mm", TRAVEL, ("log", "root")),
        ("trapped_air_ml", TRAVEL, ("root",)),
        ("bubbles_first", FIRST, ("log",)),
        ("bubbles_last", LAST, ("log",)),
        ("pump_gain_mm", PUMPED, ("log", "root")),
    )
    columns = [Column(f"{form} {name}", form, name, "sign", theme) for name, theme, forms in bent for form in forms]
    columns += [
        Column("not firm", "false", "hard_pull_firm", "sign", FIRM),
        Column("leak seen", "true", "leak_seen", "sign", LEAK),
    ]
    unseen = [(name, theme) for name, theme, _ in bent if name != "trapped_air_ml"] + [("hard_pull_firm", FIRM)]
    return columns + [
        Column(f"unrecorded {name}", "null", name, "sign unrecorded", f"unrecorded {theme}") for name, theme in unseen
    ]


def stand_columns() -> list[Column]:
    """What the stand model expects of the signs; their contributions are told by where they come from."""
    return [Column(name, "linear", name, "stand", name) for name in STAND]


def ordered(columns: list[Column]) -> list[Column]:
    """Block after block, as the ridges need them."""
    return sorted(columns, key=lambda column: BLOCKS.index(column.block))


def _block(features: BleedFeatures, step: str) -> str:
    return "step past the signs" if step in features.past_signs else "step"


def _levels(table: pl.DataFrame, name: str) -> list[str]:
    return table.get_column(name).drop_nulls().unique().sort().to_list()
