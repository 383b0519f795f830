"""Holds: bleeds to call back at once, whatever the statistics say."""

from __future__ import annotations

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.standard.standard import Standard
from schemas import checked
from schemas.outputs import Holds

MINERAL = "mineral"
_FLUSH = "Call the bike back now. Stop its use, drain and flush, replace what the maker says the fluid has harmed."
_ACTIONS = {
    "wrong_fluid": _FLUSH,
    "kit_of_other_kind": "Call the bike back now. Treat the brake as wrongly filled until shown otherwise; "
    "scrap the kit's hoses and seals.",
    "not_firm": "Call the bike back now. It left with a lever that was not firm: bleed again and repeat the hard pull.",
    "leak": "Call the bike back now. A leak was seen: find and mend it before the bike is ridden.",
}


def holds(log: Log, standard: Standard) -> DataFrame[Holds]:
    """Every bleed that breaks a hold rule, one row a rule.

    `wrong_fluid`: the fluid used is neither the one required nor one that may replace it (the standard says which).
    `kit_of_other_kind`: the kit is kept for the other family (mineral oil, glycol-based DOT) than the fluid required,
    else than the fluid used. `not_firm`: not firm under a hard pull. `leak`: a leak was seen. Mineral oil and DOT
    fluid never mix (common practice, no source; the maker wins). `open` is false where a later bleed of the same
    brake broke no rule.
    """
    bleeds = log.sessions
    broken = pl.concat(
        [
            _rows(bleeds, "wrong_fluid", _wrong_fluid(standard), pl.col("fluid_used"), pl.col("fluid_required")),
            _rows(bleeds, "kit_of_other_kind", _other_kind(), _kit_words(), _required_family()),
            _rows(bleeds, "not_firm", ~pl.col("hard_pull_firm"), pl.lit("not firm under a hard pull"), pl.lit("firm")),
            _rows(bleeds, "leak", pl.col("leak_seen"), pl.lit("a leak was seen"), pl.lit("no leak")),
        ]
    )
    mended = _later_clean(bleeds, broken.get_column("session_id"))
    table = broken.join(mended, on="session_id", how="left").with_columns(open=~pl.col("mended").fill_null(False))
    columns = ("session_id", "rule", "found", "required", "action", "open")
    return checked(Holds, table.select(columns).sort("session_id", "rule"))


def _wrong_fluid(standard: Standard) -> pl.Expr:
    used, required = pl.col("fluid_used"), pl.col("fluid_required")
    allowed = used == required
    for fluid, others in standard.fluid_replacements.items():
        allowed = allowed | ((required == fluid) & used.is_in(list(others)))
    return ~allowed


def _other_kind() -> pl.Expr:
    against = pl.coalesce("fluid_required", "fluid_used")
    return (pl.col("kit_fluid") == MINERAL) != (against == MINERAL)


def _kit_words() -> pl.Expr:
    return pl.concat_str(pl.lit("a kit kept for "), pl.col("kit_fluid"))


def _required_family() -> pl.Expr:
    return pl.concat_str(pl.lit("a kit kept for "), pl.coalesce("fluid_required", "fluid_used"))


def _rows(bleeds: pl.DataFrame, rule: str, broken: pl.Expr, found: pl.Expr, required: pl.Expr) -> pl.DataFrame:
    return bleeds.filter(broken.fill_null(False)).select(
        "session_id", rule=pl.lit(rule), found=found, required=required, action=pl.lit(_ACTIONS[rule])
    )


def _later_clean(bleeds: pl.DataFrame, broken: pl.Series) -> pl.DataFrame:
    """Bleeds after which the same brake was bled again without breaking a rule."""
    clean = ~pl.col("session_id").is_in(broken.unique().implode())
    last = bleeds.with_columns(last_clean=pl.col("started_at").filter(clean).max().over("bike_id", "brake"))
    return last.select("session_id", mended=pl.col("last_clean") > pl.col("started_at"))
