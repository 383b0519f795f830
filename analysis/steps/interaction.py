"""Does a miss do more harm on some work? A few interactions, each declared in the standard before any figure is seen."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.followup import Block, SurvivalModel
from analysis.prepared import Prepared
from analysis.standard import Step
from analysis.stats import Z95, benjamini_hochberg, normal_tail
from analysis.steps.by_return import return_model, time_and_event
from analysis.steps.design import FREE, Design
from schemas import checked, empty
from schemas.outputs import Interactions

Numbers = NDArray[np.float64]
LEAST_BLEEDS, LEVEL = 10, 0.05


def interactions(
    prepared: Prepared, design: Design | None, by_return: SurvivalModel | None = None
) -> DataFrame[Interactions]:
    """Every declared pair of step and work: the hazard ratio of a miss there and elsewhere.

    Estimand: the ratio of the hazard of a return with the step missed to that with it met, on the named work and on all
    other, adjusted as the step costs are. One time-to-return model holds all declared pairs as products; standard errors
    by the infinitesimal jackknife, clustered by bike; Benjamini-Hochberg over the pairs. A pair with fewer than 10 bleeds
    missed or met on either work is too_few.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    design
        That of the step costs; None where too few came back.
    by_return
        Its model over the whole follow-up, at which the search starts; fitted here unless given.
    """
    declared = [step for step in prepared.standard.steps if step.worse_where is not None]
    counts = [_counts(prepared, step) for step in declared]
    rows = [_row(step, one) for step, one in zip(declared, counts, strict=True)]
    can = [
        place
        for place, step in enumerate(declared)
        if design is not None and step.id in design.steps and counts[place].min() >= LEAST_BLEEDS
    ]
    if design is not None and can:
        for place, told in zip(can, _told(prepared, design, by_return, [declared[i] for i in can]), strict=True):
            rows[place] |= told
    return checked(Interactions, pl.DataFrame(rows, schema=empty(Interactions).schema).sort("step"))


def interactions_told(table: DataFrame[Interactions]) -> tuple[str, ...]:
    """A sentence for every pair that differs."""
    differ = table.filter(pl.col("verdict") == "differs").iter_rows(named=True)
    return tuple(
        f"“{row['title']}” missed: {_ratio(row, 'there')} times the hazard where {row['field'].replace('_', ' ')} is "
        f"{row['level']}, {_ratio(row, 'elsewhere')} times elsewhere (asked beforehand; q = {row['q_value']:.3f})."
        for row in differ
    )


def _ratio(row: dict[str, float], where: str) -> str:
    value, lo, hi = (row[f"ratio_{where}{end}"] for end in ("", "_lo", "_hi"))
    return f"{value:.1f} ({lo:.1f} to {hi:.1f})"


def _there(prepared: Prepared, step: Step) -> NDArray[np.bool_]:
    where = step.worse_where
    assert where is not None
    return (prepared.bleeds.get_column(where.field) == where.level).fill_null(False).to_numpy()


def _counts(prepared: Prepared, step: Step) -> NDArray[np.int64]:
    """Bleeds missed and met there, missed and met elsewhere."""
    missed, there = prepared.missed.get_column(step.id), _there(prepared, step)
    told = [missed.fill_null(False).to_numpy(), (~missed).fill_null(False).to_numpy()]
    return np.array([(one & place).sum() for place in (there, ~there) for one in told])


def _row(step: Step, counts: NDArray[np.int64]) -> dict[str, object]:
    where = step.worse_where
    assert where is not None
    head = {"step": step.id, "title": step.title, "field": where.field, "level": where.level}
    return head | {"missed_there": int(counts[0]), "missed_elsewhere": int(counts[2]), "verdict": "too_few"}


def _told(
    prepared: Prepared, design: Design, by_return: SurvivalModel | None, steps: list[Step]
) -> list[dict[str, object]]:
    """Ratios, p and verdict of each pair, from one model with all the products.

    Nothing for a pair whose standard errors are zero or not finite, as where every bleed came back.
    """
    places = [design.steps.index(step.id) for step in steps]
    width = design.x.shape[1]
    work = np.column_stack([_there(prepared, step) for step in steps])
    missed_there = design.x[:, places] * work
    x = np.hstack([design.x, missed_there - missed_there.mean(axis=0)])
    pairs, time_event = len(steps), time_and_event(prepared.bleeds)
    base = return_model(prepared, design) if by_return is None else by_return
    model = base.fit(
        x,
        *time_event,
        blocks=[*design.blocks, Block(width, width + pairs, FREE)],
        clusters=design.bike,
        start=np.append(base.coefficients, np.zeros(pairs)),
    )
    kept = [*places, *range(width, width + pairs)]
    rows = model.influence(np.eye(width + pairs)[:, kept]) * model.df_correction
    covariance, b = rows.T @ rows, model.coefficients[kept]
    more, elsewhere = b[pairs:], b[:pairs]
    sd = np.sqrt(np.diag(covariance))
    both = np.sqrt(sd[:pairs] ** 2 + sd[pairs:] ** 2 + 2 * np.diag(covariance[:pairs, pairs:]))
    there = elsewhere + more
    sound = np.flatnonzero((sd[pairs:] > 0) & np.isfinite(sd[pairs:]) & np.isfinite(both) & (sd[:pairs] > 0))
    p = 2 * normal_tail(np.abs(more[sound]) / sd[pairs:][sound])
    found: list[dict[str, object]] = [{} for _ in steps]
    for i, p_value, q in zip(sound, p, benjamini_hochberg(p), strict=True):
        found[i] = (
            _limits("ratio_there", there[i], both[i])
            | _limits("ratio_elsewhere", elsewhere[i], sd[i])
            | {"p_value": float(p_value), "q_value": float(q), "verdict": "differs" if q <= LEVEL else "no_sign"}
        )
    return found


def _limits(name: str, log: float, sd: float) -> dict[str, object]:
    ends = {"": log, "_lo": log - Z95 * sd, "_hi": log + Z95 * sd}
    return {name + end: float(np.exp(np.clip(value, -20, 20))) for end, value in ends.items()}
