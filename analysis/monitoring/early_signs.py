"""What moved first in each workshop: missed steps, stand readings and early comebacks by month, each with its own date."""

from __future__ import annotations

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.stats import FloatArray, holm, hypergeometric_mid_p, pearson_dispersion, student_tail
from schemas import empty, validate_table
from schemas.outputs import EarlySigns

READINGS = ("lever_travel_after_mm", "pump_gain_mm", "bubbles_last")
EARLY_DAYS = (14, 30)
USUAL = 0.9
"""A reading counts as high above this quantile of its brake model."""
MIN_MONTHS, MIN_SIDE, MIN_RECORDS, ALPHA = 6, 2, 30, 0.05
"""Fewest months of a series, months of a level, and records."""
MIN_EXPECTED = 5
"""Expected records with and without the sign on both sides of a month (W. G. Cochran 1954, Biometrics 10:417-451)."""


def early_signs(data: BleedData) -> DataFrame[EarlySigns]:
    """Changes of level in the missed steps, stand readings and early comebacks of each workshop, by month.

    Each series is a share by month. The date maximises the two-sample chi-square of the share before and since over the
    months with two months and at least 5 expected records with and without the sign on both sides. Its p-value is
    Fisher's (two-sided mid-p); where months vary more than a binomial share within both periods, at least that of
    F(1, months - 2) for the chi-square over their dispersion. It is multiplied by the number of months tried (Bonferroni).
    A change is listed where that p-value, adjusted over all series of the log by Holm's method, is at most 0.05. Assumes
    one lasting change at most in each series; crude shares, not adjusted for the kind of work.

    Returns
    -------
    DataFrame[EarlySigns]
        Sorted by workshop, month and sign.
    """
    bleeds = _add_signs(data).filter(pl.len().over("shop") >= MIN_RECORDS)
    signs = [name for name in bleeds.columns if name.startswith(("missed:", "reading:", "early:"))]
    changes = [
        row
        for (shop,), own in bleeds.group_by("shop", maintain_order=True)
        for sign in signs
        if (row := _likeliest_change(own, str(shop), sign)) is not None
    ]
    if not changes:
        return empty(EarlySigns)
    table = pl.DataFrame(changes, infer_schema_length=None)
    table = table.with_columns(p_value=pl.Series(holm(table.get_column("p_value").to_numpy())))
    columns = empty(EarlySigns)
    clear = table.filter(pl.col("p_value") <= ALPHA).sort("shop", "month", "sign", "subject")
    return validate_table(EarlySigns, clear.select(columns.columns).cast(columns.schema))


def _add_signs(data: BleedData) -> pl.DataFrame:
    """One row for each bleed: workshop, month, and true, false or empty for each sign."""
    bleeds, age, days = data.bleeds, pl.col("observed_days"), pl.col("return_days")
    high = {
        f"reading:{name}": pl.col(name) > pl.col(name).cast(pl.Float64).quantile(USUAL, "nearest").over("brake_model")
        for name in READINGS
    }
    early = {f"early:{limit}": pl.when(age >= limit).then((days <= limit).fill_null(False)) for limit in EARLY_DAYS}
    table = bleeds.select(
        "month", pl.col("shop").fill_null("not recorded"), **high, **(early if data.comebacks else {})
    )
    return table.hstack(
        [data.missed.get_column(c).alias(f"missed:{c}") for c in data.missed.columns if c != "session_id"]
    )


def _likeliest_change(bleeds: pl.DataFrame, shop: str, sign: str) -> dict[str, object] | None:
    """The likeliest change of one series, whether clear or not; None where it is too short."""
    counts = (
        bleeds.filter(pl.col(sign).is_not_null())
        .group_by("month")
        .agg(k=pl.col(sign).cast(pl.Int64).sum(), n=pl.len().cast(pl.Int64))
        .sort("month")
    )
    if counts.height < MIN_MONTHS or int(counts.get_column("n").sum()) < MIN_RECORDS:
        return None
    k, n = (counts.get_column(name).to_numpy().astype(float) for name in ("k", "n"))
    change = locate_last_month_before_change(k, n)
    if change is None:
        return None
    at, p_value = change
    before_k, before_n = int(k[: at + 1].sum()), int(n[: at + 1].sum())
    since_k, since_n = int(k.sum()) - before_k, int(n.sum()) - before_n
    kind, _, subject = sign.partition(":")
    return {
        "shop": shop, "sign": kind, "subject": subject, "month": counts.get_column("month")[at + 1],
        "before": before_k, "before_of": before_n, "since": since_k, "since_of": since_n,
        "worse": since_k / since_n > before_k / before_n, "p_value": p_value,
    }  # fmt: skip


def locate_last_month_before_change(k: FloatArray, n: FloatArray) -> tuple[int, float] | None:
    """The last month before the likeliest change of a monthly share `k / n`, and its p-value over all months tried.

    Candidates are months with two months and at least 5 expected records with and without the sign on both sides; None without.
    """
    before_n = np.cumsum(n)[:-1]
    since_n = n.sum() - before_n
    pooled = k.sum() / n.sum()
    enough = np.minimum(before_n, since_n) * min(pooled, 1 - pooled) >= MIN_EXPECTED
    enough[: MIN_SIDE - 1] = enough[len(enough) - MIN_SIDE + 1 :] = False
    candidates = np.flatnonzero(enough)
    if not len(candidates):
        return None
    before_k = np.cumsum(k)[:-1]
    variance = pooled * (1 - pooled) * (1 / before_n + 1 / since_n)
    chi_square = ((k.sum() - before_k) / since_n - before_k / before_n) ** 2 / variance
    at = int(candidates[chi_square[candidates].argmax()])
    p_value = 2 * min(hypergeometric_mid_p(int(before_k[at]), int(before_n[at]), int(k.sum()), int(n.sum())))
    dispersion = pearson_dispersion(k, n, at)
    if dispersion > 1:
        t = np.sqrt(chi_square[at] / dispersion)
        p_value = max(p_value, 2 * float(student_tail(t, len(k) - 2)))  # F(1, months - 2) is the square of t
    return at, min(p_value * len(candidates), 1.0)
