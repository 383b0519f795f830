"""Reasons for a risk in a mechanic's words: what was done or seen, never who did it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from analysis.risk.features import MISSED_PREFIX, OWN_PREFIX, reading_feature_name
from analysis.risk.preprocessing import FIRM, FIRST, LAST, LEAK, PUMPED, TRAVEL
from analysis.standard import Standard, Step
from schemas import field_entries
from schemas.log import FLUID_NAMES, Sessions

UNITS = {entry.name: entry.unit for entry in field_entries("sessions", Sessions)}
PASSES = "passes"
PASS_FIELDS = ("cycles", "bubbles_last", "volume_moved_ml")
PASS_GROUPS = (*PASS_FIELDS, "flush_ratio", LAST)
REASONS = {
    "soft_lever": "came in with a soft lever",
    "dirty_fluid": "came in with dirty fluid",
    "new_hose": "new hose fitted",
    "new_brake": "new brake fitted",
    "leak_repair": "a leak had been repaired",
    "comeback": "had already come back once",
}
FLUIDS_TAKEN = {code: name if code == "mineral" else f"{name} fluid" for code, name in FLUID_NAMES.items()}


@dataclass(frozen=True)
class Topic:
    """One possible reason: the feature groups whose contributions it sums, and its text (null where there is nothing
    to say).
    """

    feature_groups: tuple[str, ...]
    text: pl.Expr


def topics(standard: Standard, own: Sequence[str] = ()) -> list[Topic]:
    """Every possible reason, own features among them; those without a topic (people, shops) are never one."""
    all_topics = [_passes_topic(standard), *_sign_topics(), *_context_topics(), *map(_own_field_topic, own)]
    for step in standard.steps:
        if step.field not in PASS_FIELDS:
            groups = (
                f"step {step.id}",
                *((step.field,) if step.field in ("settle_minutes", "lever_vacuum_strokes") else ()),
            )
            all_topics.append(Topic(groups, _missed_step_text(step)))
        text = pl.when(pl.col(MISSED_PREFIX + step.id).is_null()).then(pl.lit(f"not recorded: {step.title}"))
        all_topics.append(Topic((f"unrecorded {step.id}",), text))
    return all_topics


def _passes_topic(standard: Standard) -> Topic:
    steps = tuple(f"step {step.id}" for step in standard.steps if step.field in PASS_FIELDS)
    passes, bubbles_last = pl.col("cycles"), pl.col("bubbles_last")
    count = pl.when(passes == 1).then(pl.lit("1 pass")).otherwise(pl.format("{} passes", _format_whole(passes)))
    state = pl.when(bubbles_last > 0).then(pl.lit("bubbles still showing"))
    both = pl.format("{}, {}", count, state)
    return Topic((*steps, *PASS_GROUPS), pl.coalesce(both, count, state))


def _sign_topics() -> list[Topic]:
    travel, excess = pl.col("lever_travel_after_mm"), pl.col("travel_excess_mm")
    air = pl.format(
        ", about {} ml of air ({}–{})",
        *(
            _up_to_one_decimal_expr(pl.col(name))
            for name in ("trapped_air_ml", "trapped_air_lo_ml", "trapped_air_hi_ml")
        ),
    )
    over_reference = pl.format(
        " ({} mm over the reference of {} mm)", _format_whole(excess), _up_to_one_decimal_expr(travel - excess)
    )
    long_travel = pl.when(excess >= 0.5).then(pl.concat_str(over_reference, air.fill_null(""))).otherwise(pl.lit(""))
    bubbles_first, gain = pl.col("bubbles_first"), pl.col("pump_gain_mm")
    bubbles = (
        pl.when(bubbles_first == 1)
        .then(pl.lit("1 bubble"))
        .otherwise(pl.format("{} bubbles", _format_whole(bubbles_first)))
    )
    return [
        Topic(
            (TRAVEL,),
            pl.concat_str(pl.format("lever travel {} mm", _up_to_one_decimal_expr(travel)), long_travel.fill_null("")),
        ),
        Topic((f"unrecorded {TRAVEL}",), _unrecorded_text("lever_travel_after_mm", "lever travel after the bleed")),
        Topic((FIRST,), pl.concat_str(bubbles, pl.lit(" in the first pass"))),
        Topic((f"unrecorded {FIRST}",), _unrecorded_text("bubbles_first", "bubbles in the first pass")),
        Topic((f"unrecorded {LAST}",), _unrecorded_text("bubbles_last", "bubbles in the last pass")),
        Topic((PUMPED,), pl.when(gain > 0).then(pl.format("pump-up {} mm", _up_to_one_decimal_expr(gain)))),
        Topic((f"unrecorded {PUMPED}",), _unrecorded_text("pump_gain_mm", "pump-up")),
        Topic((FIRM,), pl.when(~pl.col("hard_pull_firm")).then(pl.lit("not firm under a hard pull"))),
        Topic((f"unrecorded {FIRM}",), _unrecorded_text("hard_pull_firm", "the hard pull")),
        Topic((LEAK,), pl.when(pl.col("leak_seen")).then(pl.lit("a leak was seen"))),
    ]


def _context_topics() -> list[Topic]:
    model, place = pl.col("brake_model"), pl.col("place_in_day")
    return [
        Topic(("hose_route",), pl.when(pl.col("hose_route") == "internal").then(pl.lit("internal hose"))),
        Topic(("brake",), pl.format("{} brake", pl.col("brake"))),
        Topic(("job_reason",), pl.col("job_reason").replace_strict(REASONS, default=None, return_dtype=pl.String)),
        Topic(
            ("fluid_required",),
            pl.format("takes {}", pl.col("fluid_required").replace_strict(FLUIDS_TAKEN, default=None, return_dtype=pl.String)),
        ),
        Topic(("fluid_out",), pl.format("old fluid {}", pl.col("fluid_out"))),
        Topic(("bike_kind",), pl.format("kind of bike: {}", pl.col("bike_kind"))),
        Topic(("hose_mm",), pl.format("{} mm of hose", _format_whole(pl.col("hose_mm")))),
        Topic(("shop_temp_c",), pl.format("{} °C in the workshop", _format_whole(pl.col("shop_temp_c")))),
        Topic(("lever_travel_before_mm",), pl.format("lever travel {} mm when it came in", _up_to_one_decimal_expr(pl.col("lever_travel_before_mm")))),
        Topic(("piston_pairs",), pl.format("{} pairs of pistons", _format_whole(pl.col("piston_pairs")))),
        Topic(("place_in_day",), pl.when(place > 1).then(pl.format("number {} of the technician's bleeds that day", _format_whole(place)))),
        Topic(("brake_model",), pl.when(model != "").then(pl.format("{} comes back more often than other models", model))),
    ]  # fmt: skip


def _own_field_topic(name: str) -> Topic:
    label = name.removeprefix(OWN_PREFIX).replace("_", " ")
    return Topic(
        (name,), pl.concat_str(pl.lit(f"{label} "), _trim_zero_decimal(pl.col(name)).fill_null("not recorded"))
    )


def _missed_step_text(step: Step) -> pl.Expr:
    """What went wrong, with the reading if it is a number."""
    missed, title = pl.col(MISSED_PREFIX + step.id), pl.lit(step.missed_title)
    if step.rule.kind() != "number" or step.field.startswith("own."):
        return pl.when(missed).then(title)
    unit = UNITS.get(step.field, "")
    unit = "" if unit in ("", "fraction") else f" {unit}"
    with_reading = pl.format(
        "{} ({}{})",
        pl.lit(step.missed_title),
        _up_to_two_decimals_expr(pl.col(reading_feature_name(step.field))),
        pl.lit(unit),
    )
    return pl.when(missed).then(pl.coalesce(with_reading, title))


def _unrecorded_text(field: str, title: str) -> pl.Expr:
    return pl.when(pl.col(field).is_null()).then(pl.lit(f"not recorded: {title}"))


def _format_whole(column: pl.Expr) -> pl.Expr:
    return column.round(0).cast(pl.Int64).cast(pl.String)


def _up_to_one_decimal_expr(column: pl.Expr) -> pl.Expr:
    return _trim_zero_decimal(column.cast(pl.Float64).round(1))


def _up_to_two_decimals_expr(column: pl.Expr) -> pl.Expr:
    return _trim_zero_decimal(column.cast(pl.Float64).round(2))


def _trim_zero_decimal(column: pl.Expr) -> pl.Expr:
    """Without a trailing `.0`."""
    return column.cast(pl.String).str.replace(r"\.0$", "")
