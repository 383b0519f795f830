"""Holds: bleeds to call back at once, whatever the statistics say."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.standard.definition import Standard
from analysis.standard.priority import days_since, first_returns, priority
from schemas import validate_table
from schemas.log import FLUIDS
from schemas.outputs import Holds

MINERAL = "mineral"
_OTHER_FAMILY = "Do not ride. Drain, flush and replace the parts the maker lists as damaged by the wrong fluid."
_SAME_FAMILY = "Drain, flush and refill with the fluid the maker requires."
_OTHER_KIT = "Do not ride. Treat the brake as filled with the wrong fluid until shown otherwise; scrap the kit's hoses and seals."
_NOT_FIRM = "Do not ride. The lever was not firm: bleed again and repeat the hard pull."
_LEAK = "Do not ride. A leak was seen: find and repair it before the bike is ridden."


def holds(log: Log, standard: Standard) -> DataFrame[Holds]:
    """Every bleed that breaks a hold rule, one row a rule.

    `wrong_fluid`: the fluid used is neither the one required nor one that may replace it (the standard says which).
    `kit_of_other_kind`: the kit is kept for the other family (mineral oil, glycol-based DOT) than the fluid required,
    else than the fluid used. `not_firm`: not firm under a hard pull. `leak`: a leak was seen. Mineral oil and DOT
    fluid never mix (common practice, no source; the maker wins). `open` is false where a later bleed of the same
    brake broke no rule: on a later day, or later that day where both hours are known. `danger` orders what can harm
    soonest, `returned_on` tells that the brake has been on the bench since.

    Returns
    -------
    DataFrame[Holds]
        Sorted by session_id and rule.
    """
    bleeds = log.sessions
    used, required, kit = pl.col("fluid_used"), pl.col("fluid_required"), pl.col("kit_fluid")
    held_against = pl.coalesce(required, used)
    flush = pl.when(_mineral(used) == _mineral(required)).then(pl.lit(_SAME_FAMILY)).otherwise(pl.lit(_OTHER_FAMILY))
    broken = pl.concat(
        [
            _rows(bleeds, "wrong_fluid", ~_allowed(standard), used, _fluid_required(standard), flush),
            _rows(
                bleeds,
                "kit_of_other_kind",
                _mineral(kit) != _mineral(held_against),
                pl.concat_str(pl.lit("kit for "), _family(kit)),
                pl.concat_str(pl.lit("kit for "), _family(held_against)),
                pl.lit(_OTHER_KIT),
            ),
            _rows(
                bleeds,
                "not_firm",
                ~pl.col("hard_pull_firm"),
                pl.lit("not firm under a hard pull"),
                pl.lit("firm under a hard pull"),
                pl.lit(_NOT_FIRM),
            ),
            _rows(bleeds, "leak", pl.col("leak_seen"), pl.lit("leak seen"), pl.lit("no leak"), pl.lit(_LEAK)),
        ]
    )
    mended = broken.join(_fixed_later(bleeds, broken), on="session_id", how="left").join(
        first_returns(log), on="session_id", how="left"
    )
    table = mended.with_columns(
        priority(pl.col("rule"), pl.col("action") == _OTHER_FAMILY), days_since(log), open=~pl.col("mended")
    )
    columns = list(Holds.to_schema().columns)
    return validate_table(Holds, table.select(columns).sort("session_id", "rule"))


def _mineral(fluid: pl.Expr) -> pl.Expr:
    return fluid == MINERAL


def _family(fluid: pl.Expr) -> pl.Expr:
    return pl.when(_mineral(fluid)).then(pl.lit("mineral oil")).otherwise(pl.lit("DOT fluid"))


def _allowed(standard: Standard) -> pl.Expr:
    used, required = pl.col("fluid_used"), pl.col("fluid_required")
    allowed = used == required
    for fluid, others in standard.fluid_replacements.items():
        allowed = allowed | ((required == fluid) & used.is_in(list(others)))
    return allowed


def _fluid_required(standard: Standard) -> pl.Expr:
    """The fluid required, and in words what may stand in for it."""
    required_names = {
        fluid: f"{fluid} ({' or '.join(others)} may replace it)" if others else fluid
        for fluid in FLUIDS
        for others in [standard.fluid_replacements.get(fluid, ())]
    }
    return pl.col("fluid_required").replace(required_names)


def _rows(
    bleeds: pl.DataFrame, rule: str, broken: pl.Expr, observed: pl.Expr, required: pl.Expr, action: pl.Expr
) -> pl.DataFrame:
    return bleeds.filter(broken.fill_null(False)).select(
        "session_id", "started_at", rule=pl.lit(rule), observed=observed, required=required, action=action
    )


def _fixed_later(bleeds: pl.DataFrame, broken: pl.DataFrame) -> pl.DataFrame:
    """Each held bleed, and whether the same brake was surely bled later without breaking a rule."""
    brake, start, timed = ("bike_id", "brake"), pl.col("started_at"), pl.col("started_at_has_time").fill_null(False)
    bleeds = bleeds.select("session_id", *brake, "started_at", "started_at_has_time")
    held_bleeds = bleeds.join(broken.select("session_id").unique(), on="session_id", how="semi")
    clean = bleeds.join(held_bleeds.select("session_id"), on="session_id", how="anti").join(
        held_bleeds, on=brake, how="semi"
    )
    last = clean.group_by(brake).agg(last_day=start.dt.date().max(), last_hour=start.filter(timed).max())
    later_day = (pl.col("last_day") > start.dt.date()).fill_null(False)
    later_hour = (timed & (pl.col("last_hour") > start)).fill_null(False)
    return held_bleeds.join(last.sort(brake), on=brake, how="left").select("session_id", mended=later_day | later_hour)
