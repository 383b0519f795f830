"""The `rebleed` command. Each command imports its libraries itself, so that `--help` does not wait for them."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from analysis.commands.plan_cli import planning
from analysis.commands.terminal import (
    AsOfDay,
    ClosedOutput,
    Cluster,
    ExportPaths,
    Groups,
    HideNames,
    MapFile,
    OutFolder,
    ReturnsFrom,
    ReturnsTo,
    SignalReceived,
    StandardFile,
    StandardFiles,
    Strict,
    discard_output,
    limit_memory_arenas,
    machine_error,
    open_streams,
    parse_day,
    parse_shop_days,
    path_text,
    progress,
    show,
    show_error,
    show_interrupt,
    stop_on_signals,
)
from analysis.errors import UserError
from analysis.parallel import collect_garbage_rarely

STATUS_ERROR, STATUS_INTERRUPTED = 2, 130
HELP = """How many bleeds come back, who or what is really out of line, which missed steps lead to comebacks, and which bikes
to recall now.

Start with 'rebleed demo'. For your own export: run 'rebleed map EXPORT', check and correct the map it writes, then run
'rebleed audit EXPORT --map map.toml --out FOLDER' and open FOLDER/index.html.

Brakes are safety-critical parts. These figures are statistics about work, not an inspection."""


class CommandGroup(TyperGroup):
    """All commands; one whose output is no longer read, as in `rebleed fields | head`, ends quietly."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # Python flushes once more on exit
            raise SystemExit(0) from None


app = typer.Typer(
    cls=CommandGroup,
    help=HELP,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
)

app.add_typer(planning)


@app.command(short_help="Audit the exports of a made-up workshop.")
def demo(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to write.")] = Path("rebleed-demo"),
    notebooks: Annotated[
        Path | None, typer.Option("--notebooks", metavar="DIR", help="Also write the notebooks to this folder.")
    ] = None,
) -> None:
    """Create a made-up workshop's exports, audit them and say which page to open."""
    from analysis.commands.demo import run_demo, write_notebooks

    lines: list[str] = []
    with progress() as say:
        run_demo(out, say, lines.append)
    if notebooks is not None:
        files = write_notebooks(notebooks, out)
        lines.append(f"Wrote {len(files)} notebooks; open them with: jupyter lab {notebooks}")
    show("\n".join(lines))


@app.command()
def fields(
    markdown: Annotated[bool, typer.Option("--markdown", help="Print as Markdown, as in FIELDS.md.")] = False,
) -> None:
    """List every field, with unit and range."""
    from schemas.printed import fields_markdown, fields_text

    width = min(max(shutil.get_terminal_size((110, 24)).columns, 80), 120)
    show(fields_markdown() if markdown else fields_text(width))


@app.command("map")
def map_exports(
    exports: ExportPaths,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Map to write.")] = Path("map.toml"),
) -> None:
    """Propose a map for your own headings and values."""
    from analysis.intake import propose_map
    from analysis.output import refuse_existing, write_new_file
    from analysis.standard import built_in, recalls_by_field

    refuse_existing(out)
    with progress() as say:
        say("reading headings and values")
        proposed = propose_map(exports, lambda bleeds: recalls_by_field(bleeds, built_in()))
    write_new_file(out, proposed.toml)
    show(proposed.summary)
    show(f"Check the marked lines, then run: rebleed check {' '.join(exports)} --map {out}")
    show(f"Then: rebleed audit {' '.join(exports)} --map {out} --out FOLDER")


@app.command()
def check(
    exports: ExportPaths,
    map_file: MapFile = None,
    standard_file: StandardFile = None,
    as_of: AsOfDay = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Also write the results to this folder.")
    ] = None,
    strict: Strict = False,
) -> None:
    """Only check the exports: which rows are rejected, and why."""
    from analysis.commands.check import check_exports

    with progress() as say:
        say("reading and validating")
        day, today = parse_day(as_of, "--as-of"), dt.date.today()
        result = check_exports(exports, path_text(map_file), path_text(standard_file), day, out, today)
    show(result.text)
    raise typer.Exit(1 if strict and result.rows_rejected else 0)


@app.command()
def audit(
    exports: ExportPaths,
    out: OutFolder,
    map_file: MapFile = None,
    standard_file: StandardFiles = None,
    as_of: AsOfDay = None,
    window: Annotated[
        int | None, typer.Option(metavar="DAYS", help="Follow-up window in days.", min=1, max=3650)
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Random seed.", min=0)] = 20260101,
    hide_names: HideNames = False,
    parquet: Annotated[bool, typer.Option("--parquet", help="Also write each table as Parquet.")] = False,
    returns_from: ReturnsFrom = None,
    returns_to: ReturnsTo = None,
    proof: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder from 'rebleed prove'; its results are shown on the analyst page."),
    ] = None,
    group: Groups = None,
    since: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder of an earlier audit: also report what changed since.")
    ] = None,
    letter: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Your own words for recall_letters.txt, with {bike}, {found}, ..."),
    ] = None,
    extra: Annotated[
        list[str] | None,
        typer.Option(metavar="FIELD", help="A custom field declared in the map, for the risk model; may be repeated."),
    ] = None,
    classifier: Annotated[
        list[str] | None,
        typer.Option(
            metavar="MODULE:NAME", help="Scikit-learn classifier to compare with the risk model; may be repeated."
        ),
    ] = None,
    strict: Strict = False,
) -> None:
    """Audit the log: pages, tables, log and model."""
    from analysis.commands.run_audit import AuditOptions, audit_exports

    options = AuditOptions(
        exports=tuple(exports),
        out=out,
        map_path=path_text(map_file),
        standard_paths=tuple(map(str, standard_file or ())),
        as_of=parse_day(as_of, "--as-of"),
        window_days=window,
        seed=seed,
        hide_names=hide_names,
        parquet=parquet,
        returns_from=parse_shop_days(returns_from, "--returns-from"),
        returns_to=parse_shop_days(returns_to, "--returns-to"),
        proof=proof,
        today=dt.date.today(),
        groups=tuple(group or ()),
        since=since,
        letter=path_text(letter),
        extra=tuple(extra or ()),
        classifiers=tuple(classifier or ()),
    )
    with progress() as say:
        result = audit_exports(options, say)
    show(result.text)
    raise typer.Exit(1 if strict and result.rows_set_aside else 0)


@app.command()
def score(
    exports: ExportPaths,
    model: Annotated[Path, typer.Option("--model", metavar="FILE", help="The model.npz written by an audit.")],
    map_file: MapFile = None,
    as_of: AsOfDay = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Also write the risk of every bleed to this CSV file.")
    ] = None,
    hide_names: Annotated[bool, typer.Option("--hide-names", help="Replace names with codes in the output.")] = False,
) -> None:
    """Score new bleeds with a saved model."""
    from analysis.commands.score import score_exports
    from analysis.pages import CAUTIONS

    day = parse_day(as_of, "--as-of")
    scored = score_exports(exports, model, path_text(map_file), day, out=out, hide_names=hide_names)
    show("\n".join([scored.text, *CAUTIONS]))


@app.command()
def simulate(
    out: OutFolder,
    sessions: Annotated[int, typer.Option(metavar="N", help="Number of bleeds.", min=1, max=20_000_000)] = 3000,
    seed: Annotated[
        int, typer.Option(metavar="N", help="Random seed; each seed gives a different workshop.", min=0)
    ] = 1,
    no_effect: Annotated[bool, typer.Option("--no-effect", help="No step has any effect.")] = False,
) -> None:
    """Simulate a workshop with known effects."""
    from analysis.commands.demo import run_simulation

    with progress() as say:
        say(f"simulating {sessions:,} bleeds")
        run_simulation(out, sessions, seed, no_effect)
    show(f"Wrote {sessions:,} bleeds, their returns and the true effects (truth/) to {out}")


@app.command(short_help="Test the audit on simulated workshops.")
def prove(
    out: OutFolder,
    workshops: Annotated[int, typer.Option(metavar="N", help="Simulated workshops of each kind.", min=1)] = 20,
    sessions: Annotated[int, typer.Option(metavar="N", help="Bleeds in each workshop.", min=100, max=1_000_000)] = 3000,
    cluster: Cluster = None,
) -> None:
    """Test the audit on simulated workshops; an interrupted run resumes."""
    from analysis.pages import proof_summary
    from analysis.prove import run_proof

    with progress() as say:
        table = run_proof(out, workshops, sessions, cluster, say)
    for line in proof_summary(table):
        show(line)
    show(f"Open {out / 'prove.html'}")


def main() -> None:
    """Run the command; an error that the user can correct ends in one message and exit status 2."""
    collect_garbage_rarely()
    limit_memory_arenas()
    open_streams()
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]  # a grammar no chart needs: a second of start-up
    sys.exit(_run_and_return_status())


def _run_and_return_status() -> int:
    """Run the command and return its exit status, with errors printed."""
    output = sys.stdout
    try:
        status = _run_app()
        if sys.stdout is output:
            output.flush()
            return status
        sys.stdout, status = output, 0  # typer replaces the stream once its reader is gone
    except (ClosedOutput, BrokenPipeError):
        status = 0
    except (SignalReceived, KeyboardInterrupt) as end:
        show_interrupt(end)
        return int(end.code or 0) if isinstance(end, SignalReceived) else STATUS_INTERRUPTED
    except BaseException as problem:
        error = problem if isinstance(problem, UserError) else machine_error(problem)
        if error is None:
            raise
        show_error(error)
        status = STATUS_ERROR
    discard_output()
    return status


def _run_app() -> int:
    """The exit status of typer.

    Raises
    ------
    KeyboardInterrupt
        Typer was interrupted; it would exit without a message.
    """
    if sys.flags.optimize > 1:
        remedy = "start it without -OO and without PYTHONOPTIMIZE=2"
        raise UserError("python -OO", "removes the docstrings that the libraries need", "python, or python -O", remedy)
    try:
        with stop_on_signals():
            app()
    except SignalReceived:
        raise
    except SystemExit as end:
        if end.code == STATUS_INTERRUPTED:
            raise KeyboardInterrupt from None
        return int(end.code or 0)
    return 0
