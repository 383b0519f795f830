"""The `rebleed` command. Everything heavy is imported inside the command that needs it, so that help comes at once."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from analysis.commands.options import (
    Cluster,
    Day,
    Exports,
    MapFile,
    OutFolder,
    ReturnsFrom,
    ReturnsTo,
    StandardFile,
    Strict,
    day_of,
    progress,
    shop_days_of,
    text_of,
)
from analysis.commands.plan_cli import planning
from analysis.errors import UserError
from analysis.parallel import collect_garbage_rarely
from analysis.terminal import (
    ClosedOutput,
    fit_limits,
    leave_output,
    machine_refusal,
    ready_streams,
    show,
    show_interrupt,
    show_refusal,
)

HELP = """What the bleed log says: how many bleeds come back, with whom it is really different, which missed steps cost
comebacks, what must be called back now.

Start with 'rebleed demo'. With an export of your own: 'rebleed map EXPORT', read and mend the map it writes, then
'rebleed audit EXPORT --map map.toml --out FOLDER' and open FOLDER/index.html.

Brakes are safety parts: these figures are statistics about work, not an inspection."""


class Commands(TyperGroup):
    """All commands; one whose reader is gone, as in `rebleed fields | head`, ends quietly."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # Python's last flush needs somewhere to go
            raise SystemExit(0) from None


app = typer.Typer(
    cls=Commands,
    help=HELP,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
)

app.add_typer(planning)


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to put it.")] = Path("rebleed-demo"),
) -> None:
    """A made-up workshop group: makes its exports, audits them, tells where to look."""
    from analysis.commands.demo import run_demo

    lines: list[str] = []
    with progress() as say:
        run_demo(out, say, lines.append)
    show("\n".join(lines))


@app.command()
def fields() -> None:
    """The field dictionary: every column of the log, its unit, its range."""
    from schemas.field_dictionary import fields_text

    show(fields_text())


@app.command("map")
def map_exports(
    exports: Exports,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The map to write.")] = Path("map.toml"),
) -> None:
    """Propose a map for foreign headings and words, to be read and mended."""
    from analysis.intake import propose_map
    from analysis.output import refuse_existing, write_new_file

    refuse_existing(out)
    with progress() as say:
        say("reading headings and what columns hold")
        proposed = propose_map(exports)
    write_new_file(out, proposed.toml)
    show(proposed.summary)
    show(f"Read it, mend what is marked, then: rebleed audit {' '.join(exports)} --map {out} --out FOLDER")


@app.command()
def check(
    exports: Exports,
    map_file: MapFile = None,
    standard_file: StandardFile = None,
    as_of: Day = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Write what was found there too.")] = None,
    strict: Strict = False,
) -> None:
    """Validate only: which rows were accepted, which were set aside, and why."""
    from analysis.commands.check import check_exports

    with progress() as say:
        say("reading and validating")
        result = check_exports(exports, text_of(map_file), text_of(standard_file), day_of(as_of, "--as-of"), out)
    show(result.text)
    raise typer.Exit(1 if strict and result.rows_rejected else 0)


@app.command()
def audit(
    exports: Exports,
    out: OutFolder,
    map_file: MapFile = None,
    standard_file: StandardFile = None,
    as_of: Day = None,
    window: Annotated[int | None, typer.Option(help="Days a bleed is followed.", min=1, max=3650)] = None,
    seed: Annotated[int, typer.Option(help="For everything drawn by lot.", min=0)] = 20260101,
    hide_names: Annotated[bool, typer.Option("--hide-names", help="Codes for names; the key lies beside.")] = False,
    parquet: Annotated[bool, typer.Option("--parquet", help="Write each table as Parquet too.")] = False,
    returns_from: ReturnsFrom = None,
    returns_to: ReturnsTo = None,
    proof: Annotated[
        Path | None, typer.Option(metavar="DIR", help="A finished 'rebleed prove', shown to the analyst.")
    ] = None,
    strict: Strict = False,
) -> None:
    """The whole audit, into one folder: tables, log, pages."""
    from analysis.commands.run_audit import AuditOptions, audit_exports

    order = AuditOptions(
        exports=tuple(exports),
        out=out,
        map_path=text_of(map_file),
        standard_path=text_of(standard_file),
        as_of=day_of(as_of, "--as-of"),
        window_days=window,
        seed=seed,
        hide_names=hide_names,
        parquet=parquet,
        returns_from=shop_days_of(returns_from, "--returns-from"),
        returns_to=shop_days_of(returns_to, "--returns-to"),
        proof=proof,
    )
    with progress() as say:
        result = audit_exports(order, say)
    show(result.text)
    raise typer.Exit(1 if strict and result.rows_set_aside else 0)


@app.command()
def score(
    exports: Exports,
    model: Annotated[Path, typer.Option("--model", metavar="FILE", help="The model.skops that an audit wrote.")],
    map_file: MapFile = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write every bleed's risk there.")] = None,
    hide_names: Annotated[bool, typer.Option("--hide-names", help="Codes for names in what is written.")] = False,
) -> None:
    """The risk of fresh bleeds by a saved model, with reasons."""
    from analysis.commands.score import score_exports
    from analysis.pages import CAUTIONS

    scored = score_exports(exports, model, text_of(map_file), out, hide_names)
    show("\n".join([scored.text, *CAUTIONS]))


@app.command()
def simulate(
    out: OutFolder,
    sessions: Annotated[int, typer.Option(help="Bleeds.", min=1, max=20_000_000)] = 3000,
    seed: Annotated[int, typer.Option(help="Which workshop.", min=0)] = 1,
    no_effect: Annotated[bool, typer.Option("--no-effect", help="A workshop where no step matters.")] = False,
) -> None:
    """A workshop with known truth: sessions.csv, comebacks.csv and truth/."""
    from analysis.commands.demo import run_simulation

    with progress() as say:
        say(f"making {sessions:,} bleeds")
        run_simulation(out, sessions, seed, no_effect)
    show(f"{sessions:,} bleeds and what is true of them: {out}")


@app.command()
def prove(
    out: OutFolder,
    workshops: Annotated[int, typer.Option(help="Simulated workshops of each kind.", min=1)] = 20,
    sessions: Annotated[int, typer.Option(help="Bleeds in each.", min=100, max=1_000_000)] = 3000,
    cluster: Cluster = None,
) -> None:
    """The audit held against known truth, many times over; a run cut short goes on where it stopped."""
    from analysis.pages import proof_summary
    from analysis.prove import run_proof

    with progress() as say:
        table = run_proof(out, workshops, sessions, cluster, say)
    for line in proof_summary(table):
        show(line)
    show(f"Read: {out / 'prove.html'}")


INTERRUPTED, REFUSED = 130, 2


class Stopped(SystemExit):
    """A signal ended the run: what it began to write is removed on the way out."""


@contextmanager
def stop_on_signals() -> Iterator[None]:
    """Let signals end the run as an exception; a signal that the caller ignores, as nohup does, stays ignored."""
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    usual = (signal.SIG_DFL, signal.default_int_handler)
    before = {number: handler for number in numbers if (handler := signal.getsignal(number)) in usual}

    def stop(number: int, _: object) -> None:
        raise Stopped(128 + number)

    for number in before:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def main() -> None:
    """The command's entry: an error that the user or the machine's keeper can correct ends in one message and exit 2."""
    collect_garbage_rarely()
    fit_limits()
    ready_streams()
    sys.exit(_status())


def _status() -> int:
    """Run the command; its exit status."""
    output = sys.stdout
    try:
        status = _ended_with()
        if sys.stdout is output:
            output.flush()
            return status
        sys.stdout, status = output, 0  # the command line's library puts another there when nobody reads on
    except (ClosedOutput, BrokenPipeError):
        status = 0
    except (Stopped, KeyboardInterrupt) as end:
        show_interrupt()
        return int(end.code or 0) if isinstance(end, Stopped) else INTERRUPTED
    except BaseException as problem:
        refusal = problem if isinstance(problem, UserError) else machine_refusal(problem)
        if refusal is None:
            raise
        show_refusal(refusal)
        status = REFUSED
    leave_output()
    return status


def _ended_with() -> int:
    """What the command line's library would exit with.

    Raises
    ------
    KeyboardInterrupt
        The library, which would say nothing, was interrupted.
    """
    if sys.flags.optimize > 1:
        cure = "start it without -OO and without PYTHONOPTIMIZE=2"
        raise UserError(
            "python -OO", "leaves out texts that a library reads when it starts", "python, or python -O", cure
        )
    try:
        with stop_on_signals():
            app()
    except Stopped:
        raise
    except SystemExit as end:
        if end.code == INTERRUPTED:
            raise KeyboardInterrupt from None
        return int(end.code or 0)
    return 0
