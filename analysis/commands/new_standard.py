"""The `standard` commands: try a new procedure on the log, and propose limits that the log suggests."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np

from analysis.audit_options import SEED
from analysis.commands.audit_folder import choose_standard
from analysis.dataset import bleed_data
from analysis.intake import read_log
from analysis.output import csv_text, refuse_existing, write_new_file
from analysis.pages import estimate, observed_share_text, percent_interval, quantity
from analysis.plan import NewProcedure, ProposedLimit, propose_limits, try_procedure
from analysis.standard import Standard

EVIDENCE = {
    "supported": "comebacks are clearly more frequent outside the new limit",
    "none": "this log does not show that comebacks are more frequent outside the new limit",
    "makers_limit": "looser than a limit marked never_looser: do not adopt it",
    "looser": "looser than now: this log cannot show that it is safe; the maker's limit comes first",
}


@dataclass(frozen=True)
class ProcedureChangeOptions:
    """Options of both commands, as on the command line."""

    exports: tuple[str, ...]
    map_path: str | None = None
    standard_path: str | None = None
    as_of: dt.date | None = None
    out: Path | None = None


def new_standard_result_text(new_path: str, options: ProcedureChangeOptions) -> str:
    """What a new procedure would have asked, taken and prevented; with `out` its table is written too.

    Raises
    ------
    UserError
        The exports, map, either procedure, or the file to write.
    """
    if options.out is not None:
        refuse_existing(options.out)
    log = read_log(options.exports, options.map_path, options.as_of)
    now, new = choose_standard(log, options.standard_path), choose_standard(log, new_path)
    data = bleed_data(log, now, now.window_days)
    result = try_procedure(log, data, new, np.random.default_rng(SEED))
    if options.out is not None:
        write_new_file(options.out, csv_text(result.table))
    return "\n".join(_result_lines(result, new))


def _result_lines(result: NewProcedure, new: Standard) -> list[str]:
    titles = {step.id: step.title for step in new.steps}
    lines = [
        f"{quantity(result.bleeds, 'bleed')} from the last year, judged against {new.name}: {result.met_all:.1%} missed no step.",
        "",
    ]
    for step, title in titles.items():
        rows = result.table.filter(step=step).to_dicts()
        shops = "; ".join(f"{row['shop']} {observed_share_text(row['met'], row['recorded'])}" for row in rows[1:])
        mark = " (changed)" if step in result.changed else ""
        before = rows[0]["met_now"]
        now = (
            f"; under the current rule {observed_share_text(before, rows[0]['recorded'])}"
            if mark and before is not None
            else ""
        )
        lines.append(
            f"{title}{mark}: met by {observed_share_text(rows[0]['met'], rows[0]['recorded'])}{now}{f' ({shops})' if shops and mark else ''}"
        )
    lines.append("")
    if not result.changed:
        return [*lines, "No step differs from the current procedure."]
    if result.minutes is None:
        lines.append("Minutes: too few bleeds with minutes to say.")
    else:
        each = estimate(result.minutes.each, result.minutes.lo, result.minutes.hi)
        lines.append(
            f"Extra minutes per bleed if the changed steps were always done: {each}, from {quantity(result.minutes.bleeds, 'bleed')}."
        )
    if result.prevented is None:
        lines.append("Comebacks: too few to say what the changed steps may prevent.")
    else:
        per_100 = estimate(result.prevented.per_100, result.prevented.lo, result.prevented.hi)
        lines.append(f"Comebacks it may prevent per 100 bleeds: {per_100}; {result.prevented.per_year:.0f} a year.")
    lines += [f"{titles[moved.step]}: {moved.text}; {EVIDENCE[moved.evidence]}." for moved in result.moved]
    return [*lines, "This is observational evidence, not an experiment. The makers' instructions come first."]


def write_proposed_standard(options: ProcedureChangeOptions) -> str:
    """Write the current procedure, with the limits that the log suggests changing; say which.

    Raises
    ------
    UserError
        The exports, map or procedure, or the file to write.
    """
    if options.out is None:
        raise ValueError("out: a file to write, got None")
    refuse_existing(options.out)
    log = read_log(options.exports, options.map_path, options.as_of)
    standard = choose_standard(log, options.standard_path)
    data = bleed_data(log, standard, standard.window_days)
    proposals = propose_limits(data, np.random.default_rng(SEED))
    source = _procedure_toml(options.standard_path)
    if "[[step]]" not in source:
        source = f"{source}\n{_built_in_steps_toml()}"
    text = proposed_text(source, proposals)
    write_new_file(options.out, text)
    titles = {step.id: step.title for step in standard.steps}
    lines = [
        f"{titles[one.step]}: change {one.key} from {one.before:g} to {one.after:g}; {_evidence_text(one)}."
        for one in proposals
    ]
    if not lines:
        lines = ["No limit is clearly in the wrong place in this log; the procedure is written unchanged."]
    return "\n".join([*lines, f"Wrote {options.out}. Check it against the makers' instructions before you adopt it."])


def _procedure_toml(path: str | None) -> str:
    built_in = files("analysis.standard").joinpath("built_in.toml")
    return (built_in.read_text("utf-8") if path is None else Path(path).read_text("utf-8-sig")).replace("\r\n", "\n")


def _built_in_steps_toml() -> str:
    text = _procedure_toml(None)
    return text[text.index("[[step]]") :]


def proposed_text(source: str, proposals: list[ProposedLimit]) -> str:
    """The TOML of a procedure with its limits moved, also where a title names one, each with the old limit and the reason in a comment."""
    head, *steps = re.split(r"(?m)^(?=[ \t]*\[\[[ \t]*step[ \t]*\]\])", source)
    for one in proposals:
        name = re.compile(rf"(?m)^\s*id\s*=\s*[\"']{re.escape(one.step)}[\"']")
        line = re.compile(rf"(?m)^([ \t]*{one.key}[ \t]*=).*$")
        titles = re.compile(rf"(?m)^([ \t]*(?:missed_)?title[ \t]*=.*?)(?<![\d.]){one.before:g}(?![\d.])")
        comment = f"{one.after:g}  # was {one.before:g}: {_evidence_text(one)}"
        steps = [
            titles.sub(rf"\g<1>{one.after:g}", line.sub(rf"\g<1> {comment}", step, count=1))
            if name.search(step)
            else step
            for step in steps
        ]
    note = (
        "# Proposed from the log; add adopted_on = (first day) when it applies. The makers' instructions come first.\n"
    )
    return note + re.sub(r"(?m)^adopted_on\s*=.*\n", "", head) + "".join(steps)


def _evidence_text(one: ProposedLimit) -> str:
    parts = [
        f"at {row.get('pooled') or format(row['reading'], 'g')}, {percent_interval(row['risk'], row['lo'], row['hi'])} come back ({row['bleeds']:,} bleeds)"
        for row in (one.worse, one.better)
    ]
    return "; ".join(parts)
