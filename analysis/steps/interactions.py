"""Interactions of missed steps with the kind of work, each declared in the procedure before any figure is seen."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.standard import Step
from analysis.stats import Z95, benjamini_hochberg, normal_tail
from analysis.steps.design_matrix import EFFECT_RIDGE, Design
from analysis.steps.marginal_effects import fit_step_model, time_and_event
from analysis.survival import Block, SurvivalModel
from schemas import empty, field_label, validate_table
from schemas.outputs import Interactions

FloatArray = NDArray[np.float64]
MIN_BLEEDS, LEVEL = 10, 0.05


def interactions(
    data: BleedData, design: Design | None, return_model: SurvivalModel | None = None
) -> DataFrame[Interactions]:
    """Hazard ratio of a miss on the named work and on all other work, for every declared pair of step and work.

    Adjusted as the step estimates are. One time-to-return model holds all declared pairs as products; standard errors
    by the infinitesimal jackknife, clustered by bike; Benjamini-Hochberg over the pairs. A pair with fewer than 10
    bleeds missed or met on either kind of work is too_few. The return model, over the whole follow-up, gives starting
    values; it is fitted here unless given. Without a design (too few comebacks) nothing is estimated.
    """
    declared = [step for step in data.standard.steps if step.interacts_with is not None]
    counts = [_count_by_work(data, step) for step in declared]
    rows = [_counts_row(step, count) for step, count in zip(declared, counts, strict=True)]
    estimable = [
        index
        for index, step in enumerate(declared)
        if design is not None and step.id in design.steps and counts[index].min() >= MIN_BLEEDS
    ]
    if design is not None and estimable:
        for index, estimate in zip(
            estimable, _estimate_ratios(data, design, return_model, [declared[i] for i in estimable]), strict=True
        ):
            rows[index] |= estimate
    return validate_table(Interactions, pl.DataFrame(rows, schema=empty(Interactions).schema).sort("step"))


def interaction_notes(table: DataFrame[Interactions]) -> tuple[str, ...]:
    """A sentence for every pair that differs."""
    differ = table.filter(pl.col("verdict") == "differs").iter_rows(named=True)
    return tuple(
        f"Missing “{row['title']}” multiplies the comeback hazard by {_ratio_text(row, 'there')} where {field_label(row['field'])} is "
        f"{row['level']}, by {_ratio_text(row, 'elsewhere')} elsewhere (question set in advance; q = {row['q_value']:.3f})."
        for row in differ
    )


def _ratio_text(row: dict[str, float], place_text: str) -> str:
    value, lo, hi = (row[f"ratio_{place_text}{end}"] for end in ("", "_lo", "_hi"))
    return f"{value:.1f} ({lo:.1f} to {hi:.1f})"


def _is_named_work(data: BleedData, step: Step) -> NDArray[np.bool_]:
    where = step.interacts_with
    assert where is not None
    return (data.bleeds.get_column(where.field) == where.level).fill_null(False).to_numpy()


def _count_by_work(data: BleedData, step: Step) -> NDArray[np.int64]:
    """Bleeds missed there, met there, missed elsewhere, met elsewhere."""
    missed, there = data.missed.get_column(step.id), _is_named_work(data, step)
    states = [missed.fill_null(False).to_numpy(), (~missed).fill_null(False).to_numpy()]
    return np.array([(state & work).sum() for work in (there, ~there) for state in states])


def _counts_row(step: Step, counts: NDArray[np.int64]) -> dict[str, object]:
    where = step.interacts_with
    assert where is not None
    head = {"step": step.id, "title": step.title, "field": where.field, "level": where.level}
    return head | {"missed_there": int(counts[0]), "missed_elsewhere": int(counts[2]), "verdict": "too_few"}


def _estimate_ratios(
    data: BleedData, design: Design, return_model: SurvivalModel | None, steps: list[Step]
) -> list[dict[str, object]]:
    """Ratios, p and verdict of each pair, from one model with all products.

    Empty where a standard error is zero or not finite, as where every bleed came back.
    """
    places = [design.steps.index(step.id) for step in steps]
    width = design.x.shape[1]
    in_work = np.column_stack([_is_named_work(data, step) for step in steps])
    missed_there = design.x[:, places] * in_work
    x = np.hstack([design.x, missed_there - missed_there.mean(axis=0)])
    pairs, time_event = len(steps), time_and_event(data.bleeds)
    base = fit_step_model(data, design) if return_model is None else return_model
    model = base.fit(
        x,
        *time_event,
        blocks=[*design.blocks, Block(width, width + pairs, EFFECT_RIDGE)],
        clusters=design.bike,
        start=np.append(base.coefficients, np.zeros(pairs)),
    )
    columns = [*places, *range(width, width + pairs)]
    influence = model.influence(np.eye(width + pairs)[:, columns]) * model.standard_error_factor
    covariance, effects = influence.T @ influence, model.coefficients[columns]
    interaction, elsewhere = effects[pairs:], effects[:pairs]
    sd = np.sqrt(np.diag(covariance))
    sd_there = np.sqrt(sd[:pairs] ** 2 + sd[pairs:] ** 2 + 2 * np.diag(covariance[:pairs, pairs:]))
    there = elsewhere + interaction
    estimable = np.flatnonzero((sd[pairs:] > 0) & np.isfinite(sd[pairs:]) & np.isfinite(sd_there) & (sd[:pairs] > 0))
    p = 2 * normal_tail(np.abs(interaction[estimable]) / sd[pairs:][estimable])
    estimates: list[dict[str, object]] = [{} for _ in steps]
    for i, p_value, q in zip(estimable, p, benjamini_hochberg(p), strict=True):
        estimates[i] = (
            _ratio_with_limits("ratio_there", there[i], sd_there[i])
            | _ratio_with_limits("ratio_elsewhere", elsewhere[i], sd[i])
            | {"p_value": float(p_value), "q_value": float(q), "verdict": "differs" if q <= LEVEL else "no_sign"}
        )
    return estimates


def _ratio_with_limits(name: str, log: float, sd: float) -> dict[str, object]:
    ends = {"": log, "_lo": log - Z95 * sd, "_hi": log + Z95 * sd}
    return {name + end: float(np.exp(np.clip(value, -20, 20))) for end, value in ends.items()}
