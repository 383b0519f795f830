"""Commands beside the audit: the sheet to start a log with, the gauge study, how many bleeds it takes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from analysis.commands.options import Day, Exports, MapFile, OutFolder, StandardFile, day_of, progress, text_of
from analysis.terminal import show

planning = typer.Typer(add_completion=False, rich_markup_mode=None)
plan = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="How many bleeds it takes.")
planning.add_typer(plan, name="plan")

MAX_BLEEDS = 1_000_000_000
Save = Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Save what is printed there too.")]
Power = Annotated[float, typer.Option(help="The chance to find it, a fraction.")]
Rate = Annotated[float, typer.Option(help="Comebacks within the window, a fraction of bleeds: 6% is 0.06.")]


@planning.command()
def sheet(out: OutFolder, standard_file: StandardFile = None) -> None:
    """A bench sheet to print and a spreadsheet to fill, from the shop's own standard."""
    from analysis.commands.sheets import write_sheets

    show(write_sheets(out, text_of(standard_file)))


@planning.command()
def gauge(
    readings: Annotated[str, typer.Argument(metavar="READINGS", help="One row a reading: item, technician, reading.")],
    out: OutFolder,
    map_file: MapFile = None,
    tolerance: Annotated[
        float | None, typer.Option(metavar="WIDTH", help="Upper less lower limit, in the reading's unit.")
    ] = None,
    seed: Annotated[int, typer.Option(help="For the limits, which are drawn.", min=0)] = 1,
    hide_names: Annotated[bool, typer.Option("--hide-names", help="Codes for names; the key lies beside.")] = False,
) -> None:
    """Can a lever-travel (or any) reading be trusted: measured again, by others, on several brakes."""
    from analysis.commands.gauge_study import GaugeOptions, gauge_readings

    order = GaugeOptions(readings, out, text_of(map_file), tolerance, seed, hide_names)
    show(gauge_readings(order).text)


@plan.command("rate")
def plan_rate(
    rate: Rate,
    half_width: Annotated[
        float | None, typer.Option(help="Half width of the interval wanted: 0.01 is one point.")
    ] = None,
    detect: Annotated[float | None, typer.Option(help="Another rate that should be noticed.")] = None,
    power: Power = 0.8,
    out: Save = None,
) -> None:
    """How many bleeds it takes to know a comeback rate, or to notice that it changed."""
    from analysis.commands.sample_sizes import rate_text

    _print_or_save(lambda: rate_text(rate, half_width, detect, power), out)


@plan.command("step")
def plan_step(
    exports: Exports,
    step: Annotated[str, typer.Option(metavar="ID", help="A step of the standard.")],
    hazard_ratio: Annotated[float, typer.Option(help="How many times as likely a miss makes a return.")] = 2.0,
    power: Power = 0.8,
    bleeds: Annotated[list[int] | None, typer.Option(help="Sizes to draw; may be given several times.")] = None,
    runs: Annotated[int, typer.Option(help="Draws of each size.", min=10, max=10_000)] = 40,
    map_file: MapFile = None,
    standard_file: StandardFile = None,
    as_of: Day = None,
    seed: Annotated[int, typer.Option(help="For the draws.", min=0)] = 1,
    out: Save = None,
) -> None:
    """How many bleeds it takes to see what a missed step costs, by drawing the shop's own log again."""
    from analysis.commands.sample_sizes import StepPowerOptions, step_power_text

    order = StepPowerOptions(
        tuple(exports),
        step,
        hazard_ratio,
        power,
        tuple(bleeds or ()),
        runs,
        text_of(map_file),
        text_of(standard_file),
        day_of(as_of, "--as-of"),
        seed,
    )

    def words() -> str:
        with progress() as say:
            return step_power_text(order, say)

    _print_or_save(words, out)


@plan.command("trial")
def plan_trial(
    rate: Rate,
    target_rate: Annotated[float, typer.Option(help="The rate the changed procedure should bring, a fraction.")],
    power: Power = 0.8,
    bleeds: Annotated[
        int | None, typer.Option(help="Tell the chance with so many bleeds in each arm.", min=2, max=MAX_BLEEDS)
    ] = None,
    bleeds_a_week: Annotated[float | None, typer.Option(help="For a trial of whole weeks: bleeds a week.")] = None,
    correlation: Annotated[float, typer.Option(help="How alike the bleeds of one week are, 0 to 1.")] = 0.01,
    out: Save = None,
) -> None:
    """How large a trial of a changed procedure must be, by bleed or by whole weeks."""
    from analysis.commands.sample_sizes import WeeklyTrial, trial_text

    weekly = None if bleeds_a_week is None else WeeklyTrial(bleeds_a_week, correlation)
    _print_or_save(lambda: trial_text(rate, target_rate, power, bleeds, weekly), out)


def _print_or_save(content: Callable[[], str], out: Path | None) -> None:
    """Print, and save where that was asked for; a file that exists is refused before the work."""
    from analysis.output import refuse_existing, write_new_file

    if out is not None:
        refuse_existing(out)
    text = content()
    if out is not None:
        write_new_file(out, text + "\n")
    show(text)
