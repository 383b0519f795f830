"""Figures that no workshop has: each is refused in one message, and nothing overflows."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from analysis.cli import app
from analysis.commands.sample_sizes import (
    StepPowerOptions,
    WeeklyTrial,
    rate_sample_size_text,
    step_power_text,
    trial_sample_size_text,
)
from analysis.errors import UserError
from analysis.intake import read_log
from analysis.output.manifest import read_proof
from analysis.standard import read_standard
from schemas import empty
from schemas.outputs import Prove

NAN, HUGE = float("nan"), 1e308


@pytest.mark.parametrize("command", [["audit", "log.csv"], ["simulate"]])
def test_a_seed_below_zero_is_refused(command: list[str], tmp_path: Path) -> None:
    result = CliRunner().invoke(app, [*command, "--out", str(tmp_path / "out"), "--seed", "-1"])
    assert result.exit_code == 2
    assert "--seed" in result.output


@pytest.mark.parametrize(
    ("rate", "within"),
    [(0.06, 1e-300), (0.06, NAN), (1e-300, None), (NAN, None), (0.06, 0.5), (0.06, 0.0), (1.0, None)],
)
def test_a_rate_or_width_out_of_reach_is_refused(rate: float, within: float | None) -> None:
    with pytest.raises(UserError):
        rate_sample_size_text(rate, within, None, 0.8)


@pytest.mark.parametrize("weekly", [(NAN, 0.01), (float("inf"), 0.01), (HUGE, 0.01), (12, NAN), (12, 1.0), (0.5, 0.01)])
def test_weeks_out_of_reach_are_refused(weekly: tuple[float, float]) -> None:
    with pytest.raises(UserError, match="bleeds-per-week"):
        trial_sample_size_text(0.06, 0.03, 0.8, None, WeeklyTrial(*weekly))


@pytest.mark.parametrize("times", [NAN, HUGE, 0.0, -1.0, 1.0])
def test_a_step_that_makes_no_difference_or_an_absurd_one_is_refused(times: float) -> None:
    with pytest.raises(UserError, match="--hazard-ratio"):
        step_power_text(StepPowerOptions(("log.csv",), "settle", times))


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[second_check]\nworklist_days = 10000000000", 2),
        ("[second_check]\nper_week = 1e308", 2),
        ("[comeback]\nminutes = 1e308", 2),
        ("[comeback]\nparts_cost = 1e308", 2),
        ("[shop]\nminute_cost = 1e308", 2),
        (f"[shop]\nwindow_days = {'9' * 400}", 2),
        (f"[comeback]\nminutes = {'9' * 400}", 2),
        (f"[[step]]\nid = 'a'\nfield = 'cycles'\nmin = {'9' * 400}", 4),
        (f"[[step]]\nid = 'a'\nfield = 'cycles'\nequals = {'9' * 400}", 4),
        (f"[[step]]\nid = 'a'\nfield = 'cycles'\nequals = -{'9' * 4000}", 4),
        ('[[step]]\nid = "a\\u0000"\nfield = "cycles"\nmin = 2', 2),
        (f"[[step]]\nid = '{'a' * 100_000}'\nfield = 'cycles'\nmin = 2", 2),
        (f"[[step]]\nid = 'a'\nfield = 'cycles'\nmin = 2\ntitle = '{'t' * 200_000}'", 5),
    ],
    ids=lambda value: str(value)[:40],
)
def test_an_absurd_figure_of_a_standard_is_refused_with_its_line(tmp_path: Path, text: str, line: int) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(text)
    with pytest.raises(UserError) as refused:
        read_standard(path)
    assert f"line {line}" in str(refused.value)
    assert len(str(refused.value)) < 1000


@pytest.mark.parametrize("value", ["{}", "[{}]", "{{ a = {} }}"])
def test_a_number_of_thousands_of_digits_is_refused(tmp_path: Path, value: str) -> None:
    """Python reads such a hexadecimal number, but cannot print it in a message."""
    path = tmp_path / "shop.toml"
    for key in ("shops", "adopted_on", "[comeback]\nfindings", "[[step]]\nid"):
        path.write_text(f"{key} = {value.format('0x' + 'f' * 5000)}\n")
        with pytest.raises(UserError, match="is not valid TOML"):
            read_standard(path)


@pytest.mark.parametrize("cost", ["1e308", "inf", "-1", "9" * 400])
def test_an_absurd_cost_of_a_return_is_left_out_and_listed(tmp_path: Path, cost: str) -> None:
    rows = "".join(f"S{n},B{n},front,Wren,2026-01-{n + 1:02}\n" for n in range(12))
    (tmp_path / "bleeds.csv").write_text(f"session_id,bike_id,brake,technician,started_at\n{rows}")
    (tmp_path / "returns.csv").write_text(
        f"comeback_id,bike_id,returned_at,parts_cost\nR1,B1,2026-01-20,{cost}\nR2,B2,2026-01-21,12.50\n"
    )
    log = read_log(tmp_path)
    assert log.comebacks.sort("comeback_id").get_column("parts_cost").to_list() == [None, 12.5]
    assert log.set_aside.select("column", "action").rows() == [("parts_cost", "value_blanked")]


def test_a_proof_with_a_figure_that_is_no_number_is_refused(tmp_path: Path) -> None:
    (tmp_path / "tables").mkdir()
    columns = empty(Prove).schema
    row = {
        name: NAN if kind.is_float() else 1 if kind.is_integer() else None if kind == pl.Boolean else "x"
        for name, kind in columns.items()
    }
    pl.DataFrame([row], schema=columns).write_csv(tmp_path / "tables" / "prove.csv")
    with pytest.raises(UserError, match="proof"):
        read_proof(tmp_path)
