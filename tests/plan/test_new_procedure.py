"""A new procedure on the log, versions by day and workshop, and limits that the log supports moving."""

from __future__ import annotations

import datetime as dt
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from analysis.audit import run_audit
from analysis.commands.new_standard import ProcedureChangeOptions, new_standard_result_text, proposed_text
from analysis.dataset import BleedData, bleed_data
from analysis.errors import UserError
from analysis.plan import ProposedLimit, try_procedure
from analysis.plan.new_procedure import _evidence_code, select_supported_limits
from analysis.standard import (
    Limits,
    Standard,
    Step,
    built_in,
    missed_steps,
    read_standards,
    standard_from_dict,
    standard_to_dict,
)
from analysis.standard.rules import Between
from analysis.steps import FittedCurve
from tests.build import bleed, log_of
from tests.shops import exports, report

STEP = '[[step]]\nid = "cycles"\nfield = "cycles"\nmin = {least}\n'


def version(path: Path, least: int, head: str = "") -> str:
    path.write_text(f"{head}\n{STEP.format(least=least)}")
    return str(path)


def test_each_bleed_is_judged_by_the_version_of_its_day_and_workshop(tmp_path: Path) -> None:
    paths = [
        version(tmp_path / "old.toml", 1, "adopted_on = 2025-01-01"),
        version(tmp_path / "new.toml", 3, "adopted_on = 2026-01-01"),
        version(tmp_path / "velmoor.toml", 2, 'adopted_on = 2025-07-01\nshops = ["Velmoor"]'),
    ]
    log = log_of(
        [
            bleed("A", "2024-06-01", shop="Tarnholt", cycles=2, bike_id="a"),
            bleed("B", "2025-08-01", shop="Tarnholt", cycles=1, bike_id="b"),
            bleed("C", "2025-08-01", shop="Velmoor", cycles=1, bike_id="c"),
            bleed("D", "2026-02-01", shop="Velmoor", cycles=2, bike_id="d"),
            bleed("E", "2026-02-01", cycles=3, bike_id="e"),
        ]
    )
    standard = read_standards(paths)
    assert (standard.adopted_on, len(standard.earlier)) == (dt.date(2026, 1, 1), 2)
    assert missed_steps(log, standard).get_column("cycles").to_list() == [False, False, True, True, False]


def test_a_step_that_its_version_does_not_have_counts_as_not_recorded(tmp_path: Path) -> None:
    old = version(tmp_path / "old.toml", 1)
    new = tmp_path / "new.toml"
    new.write_text(
        "adopted_on = 2026-01-01\n" + STEP.format(least=2) + '[[step]]\nid = "pads"\nfield = "pads_out"\nis = true\n'
    )
    log = log_of(
        [bleed(name, day, pads_out=False, cycles=1) for name, day in (("A", "2025-03-01"), ("B", "2026-03-01"))]
    )
    steps = missed_steps(log, read_standards([old, str(new)]))
    assert steps.get_column("pads").to_list() == [None, True]
    assert steps.get_column("cycles").to_list() == [False, True]


def test_two_versions_from_one_day_are_refused(tmp_path: Path) -> None:
    paths = [version(tmp_path / f"{n}.toml", n, "adopted_on = 2026-01-01") for n in (1, 2)]
    with pytest.raises(UserError, match="applies from the same day"):
        read_standards(paths)


def test_a_saved_model_holds_the_newest_version_alone() -> None:
    standard = replace(built_in(), adopted_on=dt.date(2026, 1, 1), shops=("Velmoor",), earlier=(built_in(),))
    assert standard_from_dict(standard_to_dict(standard)) == replace(standard, earlier=())


def test_a_day_in_quotes_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="a day without quotes"):
        read_standards([version(tmp_path / "s.toml", 1, 'adopted_on = "2026-01-01"')])


def with_cycles(least: float, never_looser: bool = False) -> Standard:
    steps = [
        replace(step, rule=Between(Limits(least, None)), never_looser=never_looser) if step.id == "cycles" else step
        for step in built_in().steps
    ]
    return replace(built_in(), steps=tuple(steps), name="new.toml")


def data_of_report() -> BleedData:
    return bleed_data(report().log, built_in(), 90)


def test_shares_and_minutes_of_a_stricter_procedure() -> None:
    data = data_of_report()
    result = try_procedure(report().log, data, with_cycles(4), np.random.default_rng(1))
    row = result.table.filter(pl.col("step") == "cycles", pl.col("shop").is_null()).row(0, named=True)
    recent = data.bleeds.filter(pl.col("age_days") <= 365).get_column("cycles").drop_nulls()
    assert (row["recorded"], row["met"], row["met_now"]) == (len(recent), (recent >= 4).sum(), (recent >= 2).sum())
    shops = result.table.filter(pl.col("step") == "cycles", pl.col("shop").is_not_null())
    assert shops.get_column("met").sum() == row["met"]
    assert result.changed == ("cycles",)
    assert result.minutes is not None
    assert result.minutes.lo > 0  # each pass takes minutes in the simulated workshop


def cycles_of(standard: Standard):
    return next(step for step in standard.steps if step.id == "cycles")


def curve_of(step: Step, readings: list[float], log_hazard: NDArray[np.float64], covariance: NDArray[np.float64]):
    """A fitted curve around a risk of 8%, with the pointwise 95% limits that the table would show."""
    sd = np.sqrt(np.diag(covariance))
    risk, lo, hi = (0.08 * np.exp(log_hazard + z * sd) for z in (0, -1.96, 1.96))
    rows = {"reading": readings, "pooled": None, "bleeds": 500, "risk": risk, "lo": lo, "hi": hi}
    return FittedCurve(step, pl.DataFrame(rows), log_hazard, covariance)


LOG_HAZARD, COVARIANCE = np.log([2.0, 1.5, 1.0, 1.0]), np.diag([0.08, 0.06, 0.08, 0.2]) ** 2


def test_a_limit_moves_past_readings_that_are_clearly_worse_and_never_outwards() -> None:
    (one,) = select_supported_limits(
        [curve_of(cycles_of(with_cycles(1)), [1.0, 2.0, 3.0, 4.0], LOG_HAZARD, COVARIANCE)]
    )
    assert (one.before, one.after, one.worse["reading"], one.better["reading"]) == (1.0, 3.0, 2.0, 3.0)
    assert not select_supported_limits(
        [curve_of(cycles_of(with_cycles(3)), [1.0, 2.0, 3.0, 4.0], LOG_HAZARD, COVARIANCE)]
    )


@pytest.mark.parametrize(
    ("now", "new", "never_looser", "evidence"),
    [
        (1, 3, False, "supported"),
        (1, 2, False, "supported"),
        (1, 4, False, "none"),
        (3, 4, False, "none"),
        (2, 1, False, "looser"),
        (2, 1, True, "makers_limit"),
    ],
)
def test_evidence_for_a_moved_limit_is_that_of_a_proposed_one(
    now: float, new: float, never_looser: bool, evidence: str
) -> None:
    before, after = cycles_of(with_cycles(now, never_looser)), cycles_of(with_cycles(new))
    assert _evidence_code(before, after, [curve_of(before, [1.0, 2.0, 3.0, 4.0], LOG_HAZARD, COVARIANCE)]) == evidence


def test_a_highest_limit_moves_down() -> None:
    step = replace(cycles_of(built_in()), rule=Between(Limits(None, 4)))
    (one,) = select_supported_limits([curve_of(step, [1.0, 2.0, 3.0, 4.0], LOG_HAZARD[::-1], COVARIANCE[::-1, ::-1])])
    assert (one.key, one.after, one.worse["reading"]) == ("max", 2.0, 3.0)


def test_limits_of_flat_curves_move_one_time_in_twenty_at_most() -> None:
    """300 logs of four curves without a slope: levels with independent errors, and splines of four columns.

    At most 24 (nominal 15; P(more than 24) = 1%, binomial): 1, since Holm over dependent pairs is strict. In 72 of these
    logs some pointwise 95% intervals do not overlap.
    """
    readings, step = np.linspace(1, 6, 6), cycles_of(with_cycles(1))
    long, centred = np.linspace(1, 6, 25), np.linspace(-1, 1, 25)
    basis = np.column_stack([centred**power for power in (1, 2, 3, 4)]) @ np.diag([0.1, 0.15, 0.15, 0.2])
    kinds = ((readings, np.eye(6) * 0.2), (long, basis))
    moved = overlapping = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        curves = [
            curve_of(step, at.tolist(), root @ rng.standard_normal(root.shape[1]), root @ root.T)
            for at, root in (*kinds, *kinds)
        ]
        moved += bool(select_supported_limits(curves))
        overlapping += any((one.table["lo"][:-1] > one.table["hi"][::-1].cum_min()[::-1][1:]).any() for one in curves)
    assert moved <= 24
    assert overlapping > 24


def test_the_proposed_file_differs_in_that_limit_alone() -> None:
    source = 'adopted_on = 2025-01-01\n[[step]]\nid = "a"\nfield = "cycles"\nmin = 2\n[[step]]\nid = "b"\nfield = "minutes"\nmin = 2\n'
    row = {"reading": 2.0, "bleeds": 90, "risk": 0.09, "lo": 0.08, "hi": 0.1}
    text = proposed_text(source, [ProposedLimit("b", "min", 2, 3, row, row)])
    content = tomllib.loads(text)
    assert [step["min"] for step in content["step"]] == [2, 3]
    assert "adopted_on" not in content
    assert "was 2: at 2, 9.0% (8.0–10.0%) come back (90 bleeds)" in text


def test_the_command_says_what_changes(tmp_path: Path) -> None:
    new = version(tmp_path / "new.toml", 3)
    text = new_standard_result_text(new, ProcedureChangeOptions((str(exports()),), out=tmp_path / "shares.csv"))
    assert "cycles (changed): met by" in text
    assert pl.read_csv(tmp_path / "shares.csv").columns == ["step", "shop", "recorded", "met", "met_now"]


def test_the_audit_reports_the_newest_version(tmp_path: Path) -> None:
    paths = [
        version(tmp_path / "old.toml", 1, "adopted_on = 2025-01-01"),
        version(tmp_path / "new.toml", 3, "adopted_on = 2026-01-01"),
    ]
    log = log_of([bleed("A", "2025-06-01", cycles=1), bleed("B", "2026-02-01", cycles=1)])
    row = run_audit(log, read_standards(paths)).steps.row(0, named=True)
    assert (row["recorded"], row["missed"]) == (2, 1)
