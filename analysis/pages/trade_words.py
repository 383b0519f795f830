"""What a mechanic calls the log's fields, groups, rules and tables; a page shows no column's name."""

from __future__ import annotations

import polars as pl

from schemas import LOG_TABLES, dictionary

FIELD_WORDS = {
    "session_id": "bleed number",
    "shop": "workshop",
    "bike_id": "bike",
    "brake": "brake",
    "technician": "technician",
    "started_at": "start",
    "minutes": "bench minutes",
    "job_reason": "reason for the job",
    "brake_model": "brake model",
    "bike_kind": "kind of bike",
    "fluid_required": "fluid the maker asks for",
    "fluid_used": "fluid put in",
    "kit_fluid": "fluid the kit is kept for",
    "hose_route": "hose run",
    "hose_mm": "hose length",
    "piston_pairs": "pairs of pistons",
    "shop_temp_c": "workshop temperature",
    "trial": "trial",
    "trial_arm": "arm of the trial",
    "lever_reach_mm": "lever reach",
    "pads_out": "pads out",
    "pistons_seated": "pistons pushed back",
    "blocks_fitted": "bleed blocks fitted",
    "block_mm": "bleed block thickness",
    "lever_syringe_fill": "lever syringe, part filled",
    "caliper_syringe_fill": "caliper syringe, part filled",
    "kit_purged": "air cleared out of the kit",
    "cycles": "passes of fluid",
    "volume_moved_ml": "fluid moved",
    "bubbles_first": "bubbles in the first pass",
    "bubbles_last": "bubbles in the last pass",
    "lever_vacuum_strokes": "vacuum strokes at the lever",
    "settle_minutes": "wait for bubbles",
    "lever_syringe_end_ml": "left in the lever syringe",
    "caliper_syringe_end_ml": "left in the caliper syringe",
    "syringes_upright": "syringes held vertical",
    "caliper_closed_first": "caliper port closed at once",
    "port_seals_checked": "O-rings on both port screws",
    "lever_port_nm": "lever port screw",
    "caliper_port_nm": "caliper port screw",
    "cleaned": "wiped clean",
    "reach_restored": "rider's reach put back",
    "fluid_out": "old fluid as it came out",
    "lever_travel_before_mm": "lever travel before",
    "lever_travel_after_mm": "lever travel after",
    "pump_gain_mm": "travel lost by pumping",
    "hard_pull_firm": "firm under a hard pull",
    "leak_seen": "leak seen",
    "note": "note",
    "returned_at": "day of return",
    "complaint": "complaint",
    "finding": "what was found",
    "comeback_id": "return number",
    "coached_on": "day of coaching",
    "step": "step",
}
TABLE_WORDS = {
    "sessions": "bleeds",
    "comebacks": "returns",
    "passes": "passes of fluid",
    "technicians": "technicians",
    "coaching": "coachings",
    "brakes": "brake models",
}
RULE_WORDS = {
    "required_missing": "must be filled, was empty",
    "unreadable": "could not be read",
    "unreadable_row": "the row could not be read",
    "out_of_range": "outside its range",
    "unknown_level": "a word that is none of the field's",
    "after_as_of": "after the last day of the log",
    "two_contents": "the same number with two contents",
    "exact_copy": "an exact copy",
    "no_bleed_found": "no bleed found for it",
}
LEVEL_WORDS = {
    "mineral": "mineral oil",
    "dot3": "DOT 3",
    "dot4": "DOT 4",
    "dot5.1": "DOT 5.1",
    "external": "outside the frame",
    "internal": "inside the frame",
}
LEVEL_KINDS = ("fluid", "hose_route", "job_reason", "brake")


def field_words(name: str) -> str:
    """A field as a mechanic calls it; the shop's own by its own name."""
    return FIELD_WORDS.get(name, name.removeprefix("own.").replace("_", " "))


def reading_words(name: str) -> str:
    """A reading with its unit: `lever reach, mm`."""
    unit = next((e.unit for e in dictionary("sessions", LOG_TABLES["sessions"]) if e.name == name), "")
    return field_words(name) + (f", {unit}" if unit and unit != "fraction" else "")


def level_words(level: str) -> str:
    """A word of the log as it is said: `DOT 5.1`, `leak repair`."""
    return LEVEL_WORDS.get(level, level.replace("_", " "))


def groups_in_words(rates: pl.DataFrame) -> pl.DataFrame:
    """Groups that are words of the log as they are said; names of people, workshops and models as they stand."""
    spoken = pl.col("group").map_elements(level_words, return_dtype=pl.String)
    return rates.with_columns(group=pl.when(pl.col("kind").is_in(LEVEL_KINDS)).then(spoken).otherwise("group"))


def spoken(column: str) -> pl.Expr:
    """A column of field names in a mechanic's words."""
    return pl.col(column).map_elements(field_words, return_dtype=pl.String)
