"""Recalls: bleeds to call back whatever the statistics say, and which of them first."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import DONE, Log
from analysis.standard.definition import Standard
from schemas import validate_table
from schemas.log import FLUID_NAMES, Sessions
from schemas.outputs import Holds

MINERAL = "mineral"
RULE_FIELDS = {
    "wrong_fluid": ("fluid_required", "fluid_used"),
    "wrong_kit": ("kit_fluid",),
    "not_firm": ("hard_pull_firm",),
    "leak": ("leak_seen",),
    "long_travel": ("lever_travel_after_mm",),
}
"""The fields that decide each recall rule."""
CLOSING_OUTCOMES = {
    rule: ("re_bled", "elsewhere", "firm") if rule in ("not_firm", "long_travel") else ("re_bled", "elsewhere")
    for rule in RULE_FIELDS
}
"""Outcomes that close a recall by each rule: a firm lever says nothing of a leak or of the fluid inside."""
PRIORITY_ORDER = ("other_fluid_family", "leak", "not_firm", "wrong_kit", "wrong_fluid", "long_travel")
"""Fluid of the other family attacks every seal; a leak or a soft lever can fail without warning; a kit used for the other
fluid may have left traces; a wrong fluid of the same family boils sooner; a long travel may be a mistake of measurement.
Common practice, no source; the maker's instructions take precedence."""
_OTHER_FAMILY = (
    "Do not ride. Drain and flush the brake, replace the parts the maker lists as damaged by the wrong fluid, then refill with "
    "the right fluid and bleed."
)
_SAME_FAMILY = "Drain, flush and refill with the fluid the maker requires."
_OTHER_KIT = (
    "Do not ride. Assume the brake holds the wrong fluid until proven otherwise; scrap the kit's hoses and seals."
)
_NOT_FIRM = "Do not ride. The lever was not firm: re-bleed the brake and repeat the hard pull."
NOT_PLAUSIBLE = (
    "Measure again: the lever cannot travel further than its reach, so this entry is wrong. Do not ride until it has been "
    "measured."
)
_TRAVEL = "Measure the lever travel again before the bike is ridden. If it is still too long, do not ride: re-bleed the brake."
_LEAK = "Do not ride. A leak was seen: find and repair it before the bike is ridden."


def holds(log: Log, standard: Standard) -> DataFrame[Holds]:
    """Every bleed that breaks a recall rule, one row per bleed and rule.

    `wrong_fluid`: the fluid used is neither the one required nor one that may replace it by the standard.
    `wrong_kit`: the kit is kept for the other family (mineral oil or glycol-based DOT fluid) than the fluid
    required, or than the fluid used where none is recorded as required. `not_firm`: not firm under a hard pull.
    `leak`: a leak was seen. `long_travel`: lever travel far above a firm brake's of that model, or much longer after the
    bleed than before, whatever the hard pull says; the limits are the standard's. Mineral oil and DOT fluid never mix
    (common practice, no source; the maker's instructions take precedence).

    `open` is false where a later bleed of the same brake broke no rule, or only that of long travel while what this rule
    looks at was recorded: on a later day, or later the same day where both hours are recorded. It is also false once an
    action of the day of the bleed or later closed it (`closing_actions`); for a long travel, once the brake was back.
    `closed_by` says which of these it was. `priority` is 1 for what can harm soonest. `returned_on`
    is the first later day on which the brake came back.

    Returns
    -------
    DataFrame[Holds]
        Sorted by session_id and rule.
    """
    broken = _broken_rules(log.sessions, standard)
    table = (
        broken.join(_find_later_fixes(log.sessions, broken), on=["session_id", "rule"], how="left")
        .join(closing_actions(log), on=["session_id", "rule"], how="left")
        .join(_find_first_returns(log), on="session_id", how="left")
        .with_columns(
            priority=_recall_priority(pl.col("rule"), pl.col("action") == _OTHER_FAMILY),
            days_since=(pl.lit(log.as_of) - pl.col("started_at").dt.date()).dt.total_days().cast(pl.Int64),
            closed_by=pl.coalesce(
                "closed_by",
                pl.when("fixed").then(pl.lit("later_bleed")),
                pl.when(pl.col("rule") == "long_travel", pl.col("returned_on").is_not_null()).then(pl.lit("came_back")),
            ),
        )
        .with_columns(open=pl.col("closed_by").is_null())
    )
    columns = list(Holds.to_schema().columns)
    return validate_table(Holds, table.select(columns).sort("session_id", "rule"))


def recalls_by_field(bleeds: pl.DataFrame, standard: Standard) -> dict[str, int]:
    """The number of bleeds that each field of a recall rule would recall, whether fixed later or not.

    `bleeds` may have only some of the columns of `Sessions`.
    """
    types = {name: column.dtype.type for name, column in Sessions.to_schema().columns.items()}
    absent = [pl.lit(None, dtype).alias(name) for name, dtype in types.items() if name not in bleeds.columns]
    rules = _broken_rules(bleeds.with_columns(absent), standard).get_column("rule").value_counts()
    counts = dict(rules.iter_rows())
    return {field: counts.get(rule, 0) for rule, fields in RULE_FIELDS.items() for field in fields}


def _broken_rules(bleeds: pl.DataFrame, standard: Standard) -> pl.DataFrame:
    used, required, kit = pl.col("fluid_used"), pl.col("fluid_required"), pl.col("kit_fluid")
    kit_should_match = pl.coalesce(required, used)
    flush = (
        pl.when(_is_mineral_oil(used) == _is_mineral_oil(required))
        .then(pl.lit(_SAME_FAMILY))
        .otherwise(pl.lit(_OTHER_FAMILY))
    )
    return pl.concat(
        [
            _recall_rows(
                bleeds,
                "wrong_fluid",
                ~_is_allowed_fluid(standard),
                used.replace(FLUID_NAMES),
                _required_fluid_text(standard),
                flush,
            ),
            _recall_rows(
                bleeds,
                "wrong_kit",
                _is_mineral_oil(kit) != _is_mineral_oil(kit_should_match),
                pl.concat_str(pl.lit("a kit for "), _fluid_family(kit)),
                pl.concat_str(pl.lit("a kit for "), _fluid_family(kit_should_match)),
                pl.lit(_OTHER_KIT),
            ),
            _recall_rows(
                bleeds,
                "not_firm",
                ~pl.col("hard_pull_firm"),
                pl.lit("not firm under a hard pull"),
                pl.lit("firm under a hard pull"),
                pl.lit(_NOT_FIRM),
            ),
            _recall_rows(bleeds, "leak", pl.col("leak_seen"), pl.lit("leak seen"), pl.lit("no leak"), pl.lit(_LEAK)),
            _long_travel(bleeds, standard),
        ]
    )


def _long_travel(bleeds: pl.DataFrame, standard: Standard) -> pl.DataFrame:
    """Bleeds whose lever travel is far above a firm brake's of that model, or much longer after than before."""
    limits, after, before = standard.travel_recall, pl.col("lever_travel_after_mm"), pl.col("lever_travel_before_mm")
    firm = after.filter(pl.col("hard_pull_firm"))
    usual = pl.when(firm.count() >= limits.min_bleeds).then(firm.median()).over("brake_model")
    with_usual = bleeds.with_columns(usual=pl.when(pl.col("brake_model").is_not_null()).then(usual))
    far = (after > limits.times_usual * pl.col("usual")).fill_null(False)
    worse = (after - before > limits.worse_mm).fill_null(False)
    return _recall_rows(
        with_usual,
        "long_travel",
        far | worse,
        pl.format("lever travel of {} mm", _format_millimetres(after)),
        pl.when(far)
        .then(
            pl.format(
                "on a {} with a firm lever it is usually about {} mm",
                "brake_model",
                _format_millimetres(pl.col("usual")),
            )
        )
        .otherwise(pl.format("up from {} mm before the bleed", _format_millimetres(before))),
        pl.when(after > pl.col("lever_reach_mm")).then(pl.lit(NOT_PLAUSIBLE)).otherwise(pl.lit(_TRAVEL)),
    )


def _format_millimetres(reading: pl.Expr) -> pl.Expr:
    """`52` or `26.5`: one decimal at most."""
    return reading.cast(pl.Float64).round(1).cast(pl.String).str.strip_suffix(".0")


def _recall_rows(
    bleeds: pl.DataFrame, rule: str, broken: pl.Expr, observed: pl.Expr, required: pl.Expr, action: pl.Expr
) -> pl.DataFrame:
    # in one chunk: polars' format panics where the first of several is empty
    rows = bleeds.filter(broken.fill_null(False)).rechunk()
    return rows.select(
        "session_id", "started_at", rule=pl.lit(rule), observed=observed, required=required, action=action
    )


def _is_mineral_oil(fluid: pl.Expr) -> pl.Expr:
    return fluid == MINERAL


def _fluid_family(fluid: pl.Expr) -> pl.Expr:
    return pl.when(_is_mineral_oil(fluid)).then(pl.lit("mineral oil")).otherwise(pl.lit("DOT fluid"))


def _is_allowed_fluid(standard: Standard) -> pl.Expr:
    used, required = pl.col("fluid_used"), pl.col("fluid_required")
    allowed = used == required
    for fluid, replacements in standard.fluid_replacements.items():
        allowed = allowed | ((required == fluid) & used.is_in(list(replacements)))
    return allowed


def _required_fluid_text(standard: Standard) -> pl.Expr:
    """The fluid required, followed by those that may replace it."""
    names = dict(FLUID_NAMES)
    for fluid, replacements in standard.fluid_replacements.items():
        if replacements:
            others = " or ".join(FLUID_NAMES[one] for one in replacements)
            names[fluid] = f"{FLUID_NAMES[fluid]} ({others} may replace it)"
    return pl.col("fluid_required").replace(names)


def _recall_priority(rule: pl.Expr, other_family: pl.Expr) -> pl.Expr:
    """1 for what can harm soonest, 5 for the least; `other_family` marks a wrong fluid of the other family."""
    ranks = {name: rank for rank, name in enumerate(PRIORITY_ORDER, 1)}
    by_rule = rule.replace_strict(ranks, return_dtype=pl.Int64)
    wrong_family = (rule == "wrong_fluid") & other_family
    return pl.when(wrong_family).then(pl.lit(ranks["other_fluid_family"])).otherwise(by_rule).cast(pl.Int64)


def _find_first_returns(log: Log) -> pl.DataFrame:
    """For each bleed the first later day on which its brake came back (session_id, returned_on)."""
    brake = ["bike_id", "brake"]
    bleeds = log.sessions.select("session_id", *brake, day=pl.col("started_at").dt.date())
    returns = log.comebacks.select(*brake, returned_on=pl.col("returned_at").dt.date())
    later = bleeds.join(returns, on=brake, how="inner").filter(pl.col("returned_on") > pl.col("day"))
    return later.group_by("session_id").agg(pl.col("returned_on").min()).sort("session_id")


def closing_actions(log: Log) -> pl.DataFrame:
    """What was last reported to close a recall of each bleed by each rule (session_id, rule, closed_by).

    An action on a brake counts for its bleeds up to that day. A second check closes a recall only if it re-bled the brake.
    """
    pairs = [(rule, outcome) for rule, outcomes in CLOSING_OUTCOMES.items() for outcome in outcomes]
    closing = pl.DataFrame(pairs, schema=["rule", "outcome"], orient="row")
    counts = (pl.col("kind") == "recall") | (pl.col("outcome") == "re_bled")
    done = log.actions.filter(DONE, counts).join(closing, on="outcome", how="inner")
    brakes = log.sessions.select("session_id", "bike_id", "brake", day=pl.col("started_at").dt.date())
    acted_on = done.select("session_id", "done_on", "rule", closed_by="outcome").join(
        brakes.drop("day"), on="session_id"
    )
    closed = brakes.join(acted_on.drop("session_id"), on=["bike_id", "brake"]).filter(
        pl.col("done_on") >= pl.col("day")
    )
    by_rule = closed.sort("session_id", "rule", "done_on").group_by("session_id", "rule", maintain_order=True)
    return by_rule.agg(pl.col("closed_by").last())


def _find_later_fixes(bleeds: pl.DataFrame, broken: pl.DataFrame) -> pl.DataFrame:
    """Whether the same brake was certainly bled later in a way that closes the recall (session_id, rule, fixed)."""
    brake, start, timed = ("bike_id", "brake"), pl.col("started_at"), pl.col("started_at_has_time").fill_null(False)
    when = bleeds.select("session_id", *brake, "started_at", "started_at_has_time")
    recalled = broken.select("session_id", "rule").join(when, on="session_id", how="left")
    of_brakes = bleeds.join(recalled, on=brake, how="semi")
    last = pl.concat(
        _closing(of_brakes, broken, rule)
        .group_by(brake)
        .agg(last_day=start.dt.date().max(), last_hour=start.filter(timed).max())
        .with_columns(rule=pl.lit(rule))
        for rule in RULE_FIELDS
    )
    later_day = (pl.col("last_day") > start.dt.date()).fill_null(False)
    later_hour = (timed & (pl.col("last_hour") > start)).fill_null(False)
    table = recalled.join(last, on=[*brake, "rule"], how="left")
    return table.select("session_id", "rule", fixed=later_day | later_hour)


def _closing(bleeds: pl.DataFrame, broken: pl.DataFrame, rule: str) -> pl.DataFrame:
    """The bleeds that close an earlier recall by this rule.

    They break no rule; or only that of long travel, where what this rule looks at is recorded: a lever that is firm now is
    no longer one that was not, and its long travel is a recall of its own.
    """
    sound = bleeds.join(broken.select("session_id"), on="session_id", how="anti")
    if rule == "long_travel":
        return sound
    certain = broken.filter(pl.col("rule") != "long_travel").select("session_id")
    recorded = pl.all_horizontal(pl.col(name).is_not_null() for name in RULE_FIELDS[rule])
    long_only = bleeds.join(sound, on="session_id", how="anti").join(certain, on="session_id", how="anti")
    return pl.concat([sound, long_only.filter(recorded)])
