"""Command line of `sheet`, `gauge`, `plan` and `standard`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from analysis.commands.terminal import (
    AsOfDay,
    ExportPaths,
    HideNames,
    MapFile,
    OutFolder,
    StandardFile,
    parse_day,
    path_text,
    progress,
    show,
)

planning = typer.Typer(add_completion=False, rich_markup_mode=None)
plan = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Work out how many bleeds you need.")
planning.add_typer(plan, name="plan")
procedure = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Try or propose a new procedure.")
planning.add_typer(procedure, name="standard")

MAX_BLEEDS = 1_000_000_000
Save = Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Also save the output to this file.")]
Power = Annotated[float, typer.Option(metavar="NUMBER", help="Chance of detecting it (0.8 = 80%).")]
Rate = Annotated[float, typer.Option(metavar="NUMBER", help="Comeback rate within the window (0.06 = 6%).")]


@planning.command()
def sheet(out: OutFolder, standard_file: StandardFile = None) -> None:
    """Make a bench sheet to print and a spreadsheet to fill in."""
    from analysis.commands.sheets import write_sheets

    show(write_sheets(out, path_text(standard_file)))


@planning.command(short_help="Run a gauge study of a reading.")
def gauge(
    readings: Annotated[
        str, typer.Argument(metavar="READINGS", help="Table with one row per reading: item, technician, reading.")
    ],
    out: OutFolder,
    map_file: MapFile = None,
    tolerance: Annotated[
        float | None, typer.Option(metavar="WIDTH", help="Upper minus lower limit, in the unit of the reading.")
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Random seed.", min=0)] = 1,
    hide_names: HideNames = False,
) -> None:
    """Run a gauge study: how repeatable and reproducible is a reading?"""
    from analysis.commands.gauge_study import GaugeOptions, run_gauge_study

    options = GaugeOptions(readings, out, path_text(map_file), tolerance, seed, hide_names)
    show(run_gauge_study(options).text)


@plan.command("rate", short_help="Bleeds needed to estimate a comeback rate.")
def plan_rate(
    rate: Rate,
    half_width: Annotated[
        float | None, typer.Option(metavar="NUMBER", help="Half the width of the interval you want (0.01 = one point).")
    ] = None,
    detect: Annotated[float | None, typer.Option(metavar="NUMBER", help="A changed rate you want to detect.")] = None,
    power: Power = 0.8,
    out: Save = None,
) -> None:
    """Work out how many bleeds it takes to estimate a comeback rate, or to detect a change in it."""
    from analysis.commands.sample_sizes import rate_sample_size_text

    _print_or_save(lambda: rate_sample_size_text(rate, half_width, detect, power), out)


@plan.command("step", short_help="Bleeds needed to detect the effect of a step.")
def plan_step(
    exports: ExportPaths,
    step: Annotated[str, typer.Option(metavar="ID", help="ID of a step of the procedure.")],
    hazard_ratio: Annotated[
        float, typer.Option(metavar="NUMBER", help="Factor by which a miss multiplies the comeback hazard (rate).")
    ] = 2.0,
    power: Power = 0.8,
    bleeds: Annotated[list[int] | None, typer.Option(metavar="N", help="Sample size to try; may be repeated.")] = None,
    runs: Annotated[int, typer.Option(metavar="N", help="Resamples per size.", min=10, max=10_000)] = 40,
    map_file: MapFile = None,
    standard_file: StandardFile = None,
    as_of: AsOfDay = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Random seed.", min=0)] = 1,
    out: Save = None,
) -> None:
    """Work out how many bleeds it takes to detect the effect of a missed step, by resampling your own log."""
    from analysis.commands.sample_sizes import StepPowerOptions, step_power_text

    options = StepPowerOptions(
        tuple(exports),
        step,
        hazard_ratio,
        power,
        tuple(bleeds or ()),
        runs,
        path_text(map_file),
        path_text(standard_file),
        parse_day(as_of, "--as-of"),
        seed,
    )

    def text() -> str:
        with progress() as say:
            return step_power_text(options, say)

    _print_or_save(text, out)


@plan.command("trial", short_help="Bleeds needed to test a changed procedure.")
def plan_trial(
    rate: Rate,
    target_rate: Annotated[
        float, typer.Option(metavar="NUMBER", help="Comeback rate the changed procedure should reach (0.03 = 3%).")
    ],
    power: Power = 0.8,
    bleeds: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Show the chance of detection with this many bleeds per arm.", min=2, max=MAX_BLEEDS
        ),
    ] = None,
    bleeds_per_week: Annotated[
        float | None, typer.Option(metavar="NUMBER", help="If whole weeks are assigned to an arm: bleeds per week.")
    ] = None,
    correlation: Annotated[
        float, typer.Option(metavar="NUMBER", help="Correlation between bleeds in the same week, 0 to 1.")
    ] = 0.01,
    out: Save = None,
) -> None:
    """Work out how many bleeds a trial of a changed procedure needs, randomised by bleed or by week."""
    from analysis.commands.sample_sizes import WeeklyTrial, trial_sample_size_text

    weekly = None if bleeds_per_week is None else WeeklyTrial(bleeds_per_week, correlation)
    _print_or_save(lambda: trial_sample_size_text(rate, target_rate, power, bleeds, weekly), out)


def _print_or_save(content: Callable[[], str], out: Path | None) -> None:
    """Print the text and save it to `out`; an existing file is refused before the work starts."""
    from analysis.output import refuse_existing, write_new_file

    if out is not None:
        refuse_existing(out)
    text = content()
    if out is not None:
        write_new_file(out, text + "\n")
    show(text)


@procedure.command("try", short_help="Try a new procedure on last year's bleeds.")
def try_new(
    new: Annotated[Path, typer.Argument(metavar="NEW.toml", help="The new procedure.")],
    exports: ExportPaths,
    map_file: MapFile = None,
    standard_file: StandardFile = None,
    as_of: AsOfDay = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Also write the shares to this CSV file.")
    ] = None,
) -> None:
    """See how many of last year's bleeds would have complied with a new procedure, how many minutes it takes and how many comebacks it
    may prevent.
    """
    from analysis.commands.new_standard import ProcedureChangeOptions, new_standard_result_text

    options = ProcedureChangeOptions(
        tuple(exports), path_text(map_file), path_text(standard_file), parse_day(as_of, "--as-of"), out
    )
    with progress() as say:
        say("judging the bleeds by the new procedure")
        text = new_standard_result_text(str(new), options)
    show(text)


@procedure.command(short_help="Propose limits that the log suggests.")
def propose(
    exports: ExportPaths,
    out: Annotated[Path, typer.Option("--out", metavar="NEW.toml", help="The procedure to write.")],
    map_file: MapFile = None,
    standard_file: StandardFile = None,
    as_of: AsOfDay = None,
) -> None:
    """Write the current procedure with the limits that the log suggests changing, each with its figures in a comment."""
    from analysis.commands.new_standard import ProcedureChangeOptions, write_proposed_standard

    options = ProcedureChangeOptions(
        tuple(exports), path_text(map_file), path_text(standard_file), parse_day(as_of, "--as-of"), out
    )
    with progress() as say:
        say("estimating the risk along each reading")
        text = write_proposed_standard(options)
    show(text)
